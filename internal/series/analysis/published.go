package analysis

import "plumbline/internal/measurement"

// Reference is a published figure, of other people's patients.
type Reference struct {
	Source   string             `json:"source"`
	What     string             `json:"what"`
	Guidance []string           `json:"guidance"` // of the cases that it can stand beside
	Figure   measurement.Figure `json:"figure"`
	Mean     float64            `json:"mean"`
	Low      *float64           `json:"low95,omitempty"` // of the mean
	High     *float64           `json:"high95,omitempty"`
	SD       *float64           `json:"sd,omitempty"` // between patients, where no interval is given
	N        string             `json:"n"`
}

// The sources.
const (
	tahmaseb2018     = "Tahmaseb A, Wu V, Wismeijer D, Coucke W, Evans C. The accuracy of static computer-aided implant surgery: a systematic review and meta-analysis. Clin Oral Implants Res 2018, doi 10.1111/clr.13346"
	zhou2018         = "Zhou W, Liu Z, Song L, Kuo C-L, Shafer DM. Clinical factors affecting the accuracy of guided implant surgery. J Evid Based Dent Pract 2018;18(1):28-40, doi 10.1016/j.jebdp.2017.07.007"
	schnutenhaus2021 = "Schnutenhaus S, Edelmann C, Knipper A, Luthardt RG. Accuracy of dynamic computer-assisted implant placement: systematic review and meta-analysis. J Clin Med 2021;10(4):704, doi 10.3390/jcm10040704"
	freehand2021     = "Schnutenhaus S and others. Factors influencing the accuracy of freehand implant placement: a prospective clinical study. Dent J 2021;9(5):54"
)

// References are the published figures that were read in their source.
func References() []Reference {
	static := []string{"full-guide", "pilot-guide"}
	review := func(source, what, n string, guidance []string, figure measurement.Figure, mean, low, high float64) Reference {
		return Reference{Source: source, What: what, N: n, Guidance: guidance, Figure: figure, Mean: mean, Low: &low, High: &high}
	}
	study := func(figure measurement.Figure, mean, sd float64) Reference {
		return Reference{Source: freehand2021, What: "freehand, single-tooth gaps of premolars and molars, one study", N: "52 patients", Guidance: []string{"freehand"}, Figure: figure, Mean: mean, SD: &sd}
	}
	const (
		whatTahmaseb = "static guides, meta-analysis"
		whatZhou     = "static guides, meta-analysis"
		whatDynamic  = "navigated, meta-analysis"
	)
	navigated := []string{"navigated"}
	return []Reference{
		review(tahmaseb2018, whatTahmaseb, "20 clinical studies with 2238 implants", static, measurement.Entry, 1.2, 1.04, 1.44),
		review(tahmaseb2018, whatTahmaseb, "20 clinical studies with 2238 implants", static, measurement.Apex, 1.4, 1.28, 1.58),
		review(tahmaseb2018, whatTahmaseb, "20 clinical studies with 2238 implants", static, measurement.Angle, 3.5, 3.0, 3.96),
		review(zhou2018, whatZhou, "14 clinical studies", static, measurement.Entry, 1.25, 1.22, 1.29),
		review(zhou2018, whatZhou, "14 clinical studies", static, measurement.Apex, 1.57, 1.53, 1.62),
		review(zhou2018, whatZhou, "14 clinical studies", static, measurement.Angle, 4.1, 3.97, 4.23),
		review(schnutenhaus2021, whatDynamic, "7 clinical studies", navigated, measurement.Apex, 1.00, 0.83, 1.16),
		review(schnutenhaus2021, whatDynamic, "7 clinical studies", navigated, measurement.Angle, 4.1, 3.12, 5.10),
		study(measurement.Entry, 1.62, 0.87),
		study(measurement.Angle, 8.7, 4.8),
	}
}

// Place says where the clinician's mean lies beside a published one.
type Place string

// The places.
const (
	Below  Place = "below"  // the intervals of the means do not meet
	Within Place = "within" // they meet: not told apart
	Above  Place = "above"
)

// Comparison is a published figure beside the clinician's.
type Comparison struct {
	Reference
	Place Place `json:"place,omitempty"` // empty where either has no interval
}

// compare finds the references for a figure and a way of guidance; "" takes all.
func compare(figure measurement.Figure, guidance string, own *Summary) []Comparison {
	out := []Comparison{}
	for _, r := range References() {
		if r.Figure != figure {
			continue
		}
		fits := guidance == ""
		for _, g := range r.Guidance {
			fits = fits || g == guidance
		}
		if !fits {
			continue
		}
		c := Comparison{Reference: r}
		if r.Low != nil && own.Low != nil {
			switch {
			case *own.High < *r.Low:
				c.Place = Below
			case *own.Low > *r.High:
				c.Place = Above
			default:
				c.Place = Within
			}
		}
		out = append(out, c)
	}
	return out
}
