// Package phantom makes a synthetic jaw with a fixture and takes a planning and
// a follow-up scan of it, with the exact truth about both. It serves the demo,
// the tests, the accuracy runs, and people who want to try the program without
// a patient's data.
//
// One analytic scene (jaws, teeth, nerve canal or sinus, soft tissue, metal) is
// rendered at the place where each scan finds it; nothing is ever resampled.
// The fixtures' jaw, the other jaw and the soft tissue move on their own
// between the scans. Equal Spec gives equal voxels on one kind of processor,
// however many there are.
//
// Conventions: lengths are mm, angles in a Spec degrees, coordinates patient
// LPS of the scan that a name says (pre = planning, post = follow-up). A
// fixture's local frame is mesial, buccal, apical from its platform. Start with
// Usual, Random or Demo for a Spec; then Write for a case folder and ReadRecord
// for its truth, Render for the voxels, RenderPost for a quick look at the
// fixture alone, RenderSurfaces for the mouth's surface with scan bodies (RandomSurface draws
// such cases), TruthOf for the truth alone. DemoSeries has true figures of
// many cases, with no scans.
//
// Limits: a phantom is plainer than a patient. Its fixtures are solids of
// revolution with a thread, its bone has one cortex and one texture, nothing but
// the head and the lower jaw moves, and streaks are added slice by slice to an
// exact picture, so that no cone-beam artefact along the axis and no truncation
// is in it. It shows that the arithmetic is right, not how well a machine sees.
package phantom
