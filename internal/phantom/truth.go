package phantom

import "plumbline/internal/geom"

// Truth is what is exactly known of a rendered case. Names say the frame: pre
// is the planning scan's, post the follow-up scan's patient coordinates.
type Truth struct {
	PostToPre geom.Rigid
	Fixtures  []FixtureTruth
}

// FixtureTruth is one fixture's planned and achieved pose.
type FixtureTruth struct {
	Fixture
	Planned      geom.Pose // planning scan
	Achieved     geom.Pose // planning scan
	AchievedPost geom.Pose // follow-up scan
	Mesial       geom.Vec  // planning scan, unit
	Buccal       geom.Vec  // planning scan, unit
}

func (sc *scene) truth(plans []frame) Truth {
	toPre, toPost := jawToScan(sc.spec.Pre), jawToScan(sc.spec.Post)
	t := Truth{PostToPre: toPre.After(toPost.Inverse())}
	for i, f := range sc.spec.Fixtures {
		pose := func(at frame) geom.Pose {
			return geom.Pose{Entry: at.origin, Apex: at.place(geom.Vec{Z: f.Length})}
		}
		got := pose(achieve(plans[i], f))
		t.Fixtures = append(t.Fixtures, FixtureTruth{
			Fixture:      f,
			Planned:      toPre.ApplyPose(pose(plans[i])),
			Achieved:     toPre.ApplyPose(got),
			AchievedPost: toPost.ApplyPose(got),
			Mesial:       toPre.Rotate(plans[i].m),
			Buccal:       toPre.Rotate(plans[i].b),
		})
	}
	return t
}
