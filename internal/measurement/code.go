package measurement

// Code names a flag for programs. What a code means never changes.
type Code = string

// The codes of all flags, of a scan, an alignment, a plan, a fixture, a structure, or
// a case in a series. Codes lists them with what they mean.
const (
	CodeLossyCompression       Code = "lossy-compression"
	CodeOddStream              Code = "odd-stream"
	CodeRescaleMissing         Code = "rescale-missing"
	CodeSurplusBytes           Code = "surplus-bytes"
	CodeOddNumber              Code = "odd-number"
	CodeNotMarkedCT            Code = "not-marked-ct"
	CodeNoContrast             Code = "no-contrast"
	CodePaddingAtTop           Code = "padding-at-top"
	CodeMonochrome1            Code = "monochrome1"
	CodeMonochrome1Inverted    Code = "monochrome1-inverted"
	CodeSliceSpacingUnused     Code = "slice-spacing-unused"
	CodeSliceSpacingGiven      Code = "slice-spacing-given"
	CodeGantryTilt             Code = "gantry-tilt"
	CodeSliceDirectionAssumed  Code = "slice-direction-assumed"
	CodePositionAssumed        Code = "position-assumed"
	CodeDoubledSlices          Code = "doubled-slices"
	CodeScansInterleaved       Code = "scans-interleaved"
	CodeLeftOut                Code = "left-out"
	CodeUnreadableFile         Code = "unreadable-file"
	CodeNotLookedInto          Code = "not-looked-into"
	CodeIndexMismatch          Code = "index-mismatch"
	CodeScansOutOfOrder        Code = "scans-out-of-order"
	CodeFollowUpBeforeSurgery  Code = "follow-up-before-surgery"
	CodePlanningAfterSurgery   Code = "planning-after-surgery"
	CodeSurgeryToCome          Code = "surgery-to-come"
	CodeScanToCome             Code = "scan-to-come"
	CodeScanUndated            Code = "scan-undated"
	CodeScansMirrored          Code = "scans-mirrored"
	CodeMirrorUnclear          Code = "mirror-unclear"
	CodeFixturesOffScale       Code = "fixtures-off-scale"
	CodeAlignmentDoubtful      Code = "alignment-doubtful"
	CodeScaleMismatch          Code = "scale-mismatch"
	CodeHeadMoved              Code = "head-moved"
	CodeAlignmentRefined       Code = "alignment-refined"
	CodeAlignmentTakenAsExact  Code = "alignment-taken-as-exact"
	CodeAlignmentDisagrees     Code = "alignment-disagrees"
	CodeAlignmentDiffers       Code = "alignment-differs"
	CodeAlignmentBarelyChecked Code = "alignment-barely-checked"
	CodeAlignmentNotChecked    Code = "alignment-not-checked"
	CodeSameFrameForced        Code = "same-frame-forced"
	CodeLandmarksDisagree      Code = "landmarks-disagree"
	CodeLandmarksLargeTurn     Code = "landmarks-large-turn"
	CodeLandmarkOutOfLine      Code = "landmark-out-of-line"
	CodeSurfaceOffScan         Code = "surface-off-scan"
	CodeSurfaceNotChecked      Code = "surface-not-checked"
	CodePlanMeshUneven         Code = "plan-mesh-uneven"
	CodeStructureOutsideScan   Code = "structure-outside-scan"
	CodeStructureNotSeen       Code = "structure-not-seen"
	CodeStructureMisplaced     Code = "structure-misplaced"
	CodeNameInHeader           Code = "name-in-header"
	CodeUnusualSize            Code = "unusual-size"
	CodeApexPointsAway         Code = "apex-points-away"
	CodePlanOnOtherSide        Code = "plan-on-other-side"
	CodePlanOffRidge           Code = "plan-off-ridge"
	CodeSitesOutOfOrder        Code = "sites-out-of-order"
	CodeSiteAtOtherTooth       Code = "site-at-other-tooth"
	CodePlanAtOtherTooth       Code = "plan-at-other-tooth"
	CodeSideNotChecked         Code = "side-not-checked"
	CodeDirectionsNotKnown     Code = "directions-not-known"
	CodeMesialUncertain        Code = "mesial-uncertain"
	CodeMesialContradicted     Code = "mesial-contradicted"
	CodeScanBodyNotFound       Code = "scan-body-not-found"
	CodeScanBodyBarelySeen     Code = "scan-body-barely-seen"
	CodeScanBodyMisfits        Code = "scan-body-misfits"
	CodeSeatOnTrust            Code = "seat-on-trust"
	CodeSeatDoubtful           Code = "seat-doubtful"
	CodeEvidenceAgrees         Code = "evidence-agrees"
	CodeEvidenceDisagrees      Code = "evidence-disagrees"
	CodeSecondEvidenceRefused  Code = "second-evidence-refused"
	CodeMetalNotFound          Code = "metal-not-found"
	CodeSameMetal              Code = "same-metal"
	CodeOtherFixture           Code = "other-fixture"
	CodeFitNotConverged        Code = "fit-not-converged"
	CodeFixtureSaturated       Code = "fixture-saturated"
	CodeMetalCompressed        Code = "metal-compressed"
	CodeTouchingMetal          Code = "touching-metal"
	CodeMotionArtefact         Code = "motion-artefact"
	CodeTruncated              Code = "truncated"
	CodeDiameterMismatch       Code = "diameter-mismatch"
	CodeLengthMismatch         Code = "length-mismatch"
	CodeLengthOnTrust          Code = "length-on-trust"
	CodeOtherLength            Code = "other-length"
	CodeCoronalEndNotSeen      Code = "coronal-end-not-seen"
	CodePlatformCovered        Code = "platform-covered"
	CodeFitsDisagree           Code = "fits-disagree"
	CodePoorFit                Code = "poor-fit"
	CodeAmbiguousMetal         Code = "ambiguous-metal"
	CodeBeyondPublished        Code = "beyond-published"
	CodeSurfaceOpen            Code = "surface-open"
	CodeBoneNotRead            Code = "bone-not-read"
	CodeBoneNearMetal          Code = "bone-near-metal"
	CodeOutsideBone            Code = "outside-bone"
	CodeFoundEntered           Code = "found-entered"
	CodeCavityFound            Code = "cavity-found"
	CodeCavityNotFound         Code = "cavity-not-found"
	CodeCanalFound             Code = "canal-found"
	CodeCanalBridged           Code = "canal-bridged"
	CodeCanalNotFound          Code = "canal-not-found"
	CodePenetration            Code = "penetration"
	CodeMarginNotKept          Code = "margin-not-kept"
	CodeMarginNotPlanned       Code = "margin-not-planned"
	CodeMeasuredAgain          Code = "measured-again"
	CodeSealedLate             Code = "sealed-late"
	CodeSealNotShown           Code = "seal-not-shown"
	CodeScanDatesNotHeld       Code = "scan-dates-not-held"
	CodeSealedAgain            Code = "sealed-again"
	CodeSealedInDoubt          Code = "sealed-in-doubt"
	CodeLeftOutMeasured        Code = "left-out-measured"
	CodePlanUnknown            Code = "plan-unknown"
	CodeCaseFileEdited         Code = "case-file-edited"
	CodePlanChanged            Code = "plan-changed"
	CodeSealPartial            Code = "seal-partial"
	CodeWithdrawn              Code = "record-withdrawn"
	CodeSealJoined             Code = "seal-joined"
)

// CodeMeaning says what a code stands for.
type CodeMeaning struct {
	Code    Code
	About   string // what the flag is about
	Levels  string // of trust, in words
	Meaning string
}

// Codes is the table of all codes, in the order in which a case comes about.
var Codes = []CodeMeaning{
	{CodeLossyCompression, "scans", "notice", "the scan went through lossy compression"},
	{CodeOddStream, "scans", "notice", "compressed slices break their standard where no voxel depends on it"},
	{CodeRescaleMissing, "scans", "notice", "slices state no rescale; slope 1 and intercept 0 were taken"},
	{CodeSurplusBytes, "scans", "notice", "a slice holds more bytes than voxels; the rest was left out"},
	{CodeOddNumber, "scans", "notice", "a number in the scan's header is written in an odd way and was read as stated"},
	{CodeNotMarkedCT, "scans", "notice", "the scan is not marked as computed tomography"},
	{CodeNoContrast, "scans", "doubt", "all voxels have the same grey value"},
	{CodePaddingAtTop, "scans", "doubt", "the highest grey values are named as padding, so that metal may be missing"},
	{CodeMonochrome1, "scans", "notice", "the scan asks to be shown inverted; its grey values were taken as stored"},
	{CodeMonochrome1Inverted, "scans", "doubt", "the scan is marked as inverted, and its grey values look it"},
	{CodeSliceSpacingUnused, "scans", "notice", "the distance between slices was not taken as asked, since the files state it"},
	{CodeSliceSpacingGiven, "scans", "notice", "a multi-frame file was laid out at the distance between slices that was asked for"},
	{CodeGantryTilt, "scans", "notice", "the stack leans against its slices; every voxel was taken where it lies"},
	{CodeSliceDirectionAssumed, "scans", "doubt", "a file does not say which way its slices go"},
	{CodePositionAssumed, "scans", "doubt", "a file does not say where it lies in the patient"},
	{CodeDoubledSlices, "scans", "notice", "slices are there twice with the same voxels; one of each was used"},
	{CodeScansInterleaved, "scans", "doubt", "every other slice seems to belong to another scan"},
	{CodeLeftOut, "scans", "notice", "files or series in the folder are not part of the volume"},
	{CodeUnreadableFile, "scans", "notice", "files cannot be read and were left out"},
	{CodeNotLookedInto, "scans", "notice", "files were not looked into"},
	{CodeIndexMismatch, "scans", "notice", "the disc's index does not fit its files"},
	{CodeScansOutOfOrder, "scans", "doubt", "the follow-up scan is older than the planning scan, or the same"},
	{CodeFollowUpBeforeSurgery, "scans", "doubt", "the follow-up scan is older than the surgery"},
	{CodePlanningAfterSurgery, "scans", "doubt", "the planning scan is younger than the surgery"},
	{CodeSurgeryToCome, "scans", "doubt", "the surgery was still to come when the case was measured"},
	{CodeScanToCome, "scans", "doubt", "a scan is of a day that was still to come"},
	{CodeScanUndated, "scans", "notice", "a scan does not say when it was taken, so that its date shows nothing"},
	{CodeScansMirrored, "scans", "doubt", "the fixtures' threads are left-handed: both scans are mirror images"},
	{CodeMirrorUnclear, "scans", "notice", "the fixtures' threads do not tell whether the scans are mirror images"},
	{CodeFixturesOffScale, "scans", "doubt", "all fixtures look larger or smaller than stated, alike: the voxel size may be wrong"},
	{CodeAlignmentDoubtful, "alignment", "doubt", "the two scans do not agree well enough at the fixtures"},
	{CodeScaleMismatch, "alignment", "doubt", "one of the scans is stretched against the other"},
	{CodeHeadMoved, "alignment", "doubt", "the head moved during one of the scans or both"},
	{CodeAlignmentRefined, "alignment", "notice", "the given alignment was refined on the scans"},
	{CodeAlignmentTakenAsExact, "alignment", "notice", "the given alignment could not be checked and was taken as exact"},
	{CodeAlignmentDisagrees, "alignment", "doubt", "the scans show that the given alignment is off; both are in the measurement"},
	{CodeAlignmentDiffers, "alignment", "notice", "the given alignment is off by less than what would be doubted; the intervals take it in"},
	{CodeAlignmentBarelyChecked, "alignment", "notice", "the scans share too little to check the given alignment closely"},
	{CodeAlignmentNotChecked, "alignment", "notice", "the scans share too little to check the landmarks"},
	{CodeSameFrameForced, "alignment", "doubt", "the scans were taken as lying in one frame although they do not say so"},
	{CodeLandmarksDisagree, "alignment", "doubt", "the landmarks of both scans do not fit each other"},
	{CodeLandmarksLargeTurn, "alignment", "doubt", "the landmarks turn one scan far against the other"},
	{CodeLandmarkOutOfLine, "alignment", "doubt", "one landmark does not fit the others"},
	{CodeSurfaceOffScan, "alignment", "doubt", "the surface scan before surgery does not lie where the planning scan shows the teeth"},
	{CodeSurfaceNotChecked, "alignment", "doubt or notice", "the planning scan does not show where the surface scan before surgery lies; a doubt where it shows enough to fit"},
	{CodePlanMeshUneven, "plan", "doubt", "the mesh of the planned fixture does not look like one"},
	{CodeStructureOutsideScan, "plan", "notice", "a structure lies outside the planning scan"},
	{CodeStructureNotSeen, "plan", "notice", "the planning scan does not show a structure where it is drawn, so that its place is not checked"},
	{CodeStructureMisplaced, "plan", "doubt", "a structure cannot be what and where the case says: size, unit, side, height, course or border"},
	{CodeNameInHeader, "plan", "notice", "a name in the case is a code of the scan's header, which is right only where that is a pseudonym"},
	{CodeUnusualSize, "plan", "notice", "the planned fixture has a size that is seldom placed"},
	{CodeApexPointsAway, "plan", "doubt", "the planned fixture points out of its jaw"},
	{CodePlanOnOtherSide, "plan", "doubt", "the planned fixture lies on the other side of the jaw than its tooth number says"},
	{CodePlanOffRidge, "plan", "doubt", "the planned entry lies beside the dental arch"},
	{CodeSitesOutOfOrder, "plan", "doubt", "the sites and the numbered teeth beside them lie in another order than their numbers say"},
	{CodeSiteAtOtherTooth, "plan", "doubt", "the numbered teeth beside a site show that it has another tooth's number"},
	{CodePlanAtOtherTooth, "plan", "notice", "the planned entry lies where another tooth usually stands"},
	{CodeSideNotChecked, "plan", "notice", "the planning scan shows too little of the arch to check the side and the tooth number"},
	{CodeDirectionsNotKnown, "plan", "notice", "there are no mesiodistal and buccolingual parts"},
	{CodeMesialUncertain, "plan", "notice", "the mesial direction is known roughly; the intervals take that in"},
	{CodeMesialContradicted, "plan", "doubt", "the given mesial direction and the scan, or neighbours and arch, disagree"},
	{CodeScanBodyNotFound, "fixture", "doubt", "no scan body stands near the plan on the surface scan"},
	{CodeScanBodyBarelySeen, "fixture", "doubt", "the surface scan shows too little of the scan body"},
	{CodeScanBodyMisfits, "fixture", "doubt", "the surface differs from the stated scan body"},
	{CodeSeatOnTrust, "fixture", "notice", "the scan body's seat and the fixture's length were taken as stated"},
	{CodeSeatDoubtful, "fixture", "doubt", "the fixture lies so far deeper or shallower than planned that the scan body may be another one or not down"},
	{CodeEvidenceAgrees, "fixture", "notice", "follow-up scan and surface scan show the fixture in one place, within their uncertainties"},
	{CodeEvidenceDisagrees, "fixture", "doubt or notice", "follow-up scan and surface scan show the fixture in two places; a doubt where that is hardly chance"},
	{CodeSecondEvidenceRefused, "alignment", "doubt", "the surface scan beside a follow-up scan could not be used"},
	{CodeMetalNotFound, "fixture", "doubt", "no metal that looks like the fixture is near the plan"},
	{CodeSameMetal, "fixture", "doubt", "two planned fixtures were found in the same metal"},
	{CodeOtherFixture, "fixture", "notice", "another fixture is there that no plan names"},
	{CodeFitNotConverged, "fixture", "doubt", "the fit did not come to rest"},
	{CodeFixtureSaturated, "fixture", "notice", "the scan is clipped below the metal's own brightness"},
	{CodeMetalCompressed, "fixture", "doubt", "the scan squeezes bright grey values, or its metal artefacts were reduced"},
	{CodeTouchingMetal, "fixture", "doubt or notice", "other metal or a streak hides a part of the surface; a doubt where it is most of it"},
	{CodeMotionArtefact, "fixture", "doubt", "edges look doubled, as when the head moves during the scan"},
	{CodeTruncated, "fixture", "doubt", "a part of the fixture lies outside the scan"},
	{CodeDiameterMismatch, "fixture", "doubt", "the metal has another width than the fixture is stated to have"},
	{CodeLengthMismatch, "fixture", "doubt", "the metal has another length than the fixture is stated to have"},
	{CodeLengthOnTrust, "fixture", "notice", "the scan does not show the fixture's length, which was taken as stated"},
	{CodeOtherLength, "fixture", "notice", "another length than the planned one was placed"},
	{CodeCoronalEndNotSeen, "fixture", "notice", "where the metal ends coronally is not seen"},
	{CodePlatformCovered, "fixture", "notice", "a screw, abutment or crown covers the platform"},
	{CodeFitsDisagree, "fixture", "doubt", "the fit and the plain threshold method differ"},
	{CodePoorFit, "fixture", "doubt", "the metal does not look like a fixture of the stated size"},
	{CodeAmbiguousMetal, "fixture", "doubt", "another metal body looks as much like the planned fixture"},
	{CodeBeyondPublished, "fixture", "doubt", "farther from the plan than any published guided case"},
	{CodeSurfaceOpen, "structures", "doubt or notice", "a structure's surface is not closed; a doubt where it matters to a fixture"},
	{CodeBoneNotRead, "structures", "notice", "the planning scan does not show the bone around a site"},
	{CodeBoneNearMetal, "structures", "notice", "metal in the planning scan, or its streaks, leave some of the bone around a site unread"},
	{CodeOutsideBone, "structures", "notice", "the fixture leaves the bone that the planning scan shows"},
	{CodeFoundEntered, "structures", "notice", "the fixture reaches into a structure that nobody drew and the planning scan shows"},
	{CodeCavityFound, "structures", "notice", "the planning scan shows the sinus or the nose, which the case does not name; the distance to it was measured"},
	{CodeCavityNotFound, "structures", "doubt or notice", "the planning scan shows no sinus at a site where one is due, or not the wall that matters; it is not checked; a doubt where the case asks for it"},
	{CodeCanalFound, "structures", "notice", "a canal that the case asks for was followed through the planning scan"},
	{CodeCanalBridged, "structures", "doubt", "a canal that was followed is not seen where a fixture comes nearest to it"},
	{CodeCanalNotFound, "structures", "doubt", "a canal that the case asks for was not found in the planning scan; it is not checked"},
	{CodePenetration, "structures", "notice", "the fixture reaches into a structure"},
	{CodeMarginNotKept, "structures", "notice", "the margin asked for was not kept"},
	{CodeMarginNotPlanned, "structures", "notice", "the plan itself had not kept the margin asked for, or reached into the structure"},
	{CodeMeasuredAgain, "series", "notice", "the case was measured more than once"},
	{CodeSealedLate, "series", "notice", "the plan was sealed after surgery, after the follow-up scan or after measuring"},
	{CodeSealNotShown, "series", "notice", "the dates do not show that the plan was sealed before surgery"},
	{CodeScanDatesNotHeld, "series", "notice", "an earlier version measured the case and did not record the scans' dates"},
	{CodeSealedAgain, "series", "notice", "the plan was sealed more than once"},
	{CodeSealedInDoubt, "series", "notice", "the plan was in doubt when it was sealed, with a reason given"},
	{CodeLeftOutMeasured, "series", "notice", "the case was left out although there is a measurement"},
	{CodePlanUnknown, "series", "notice", "whether the measured plan is the sealed one cannot be told"},
	{CodeCaseFileEdited, "series", "notice", "the case file was edited after sealing"},
	{CodePlanChanged, "series", "doubt", "the plan was changed after sealing"},
	{CodeSealPartial, "series", "notice", "the seal does not cover all that the plan rests on"},
	{CodeWithdrawn, "series", "notice", "a seal, a measurement or a reason of the case was withdrawn; it stays in the record and counts against consecutiveness"},
	{CodeSealJoined, "series", "notice", "the seal came with another copy of the series after surgery or measuring"},
}
