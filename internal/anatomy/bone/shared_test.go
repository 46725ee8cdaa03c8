package bone

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
)

func v3(a [3]float64) geom.Vec { return geom.Vec{X: a[0], Y: a[1], Z: a[2]} }

func TestShared(t *testing.T) {
	var errs, zs []float64
	cov := 0
	defer func() {
		m, sd := stat.MeanStdDev(errs, nil)
		_, sz := stat.MeanStdDev(zs, nil)
		fmt.Println("ALL", len(errs), m, sd, "cov", float64(cov)/float64(len(errs)), "z", sz)
	}()
	for _, c := range []string{"lower35-easy", "upper25-usual"} {
		dir := filepath.Join("/work/shared/cases", c)
		var truth struct {
			Fixtures []map[string]json.RawMessage
		}
		var sur struct {
			Fixtures []struct {
				Buccal, Mesial    [3]float64
				Planned, Achieved struct {
					Depths []float64    `json:"depths_mm"`
					Bone   [][]*float64 `json:"bone_mm"`
					Plate  [][]*float64 `json:"plate_mm"`
					Inc    [][]*float64 `json:"incidence_deg"`
					Crest  []*float64   `json:"crest_mm"`
					First  [][]*struct {
						What string
						MM   float64
					}
					Axis struct {
						FromApex struct {
							What string
							MM   float64
						} `json:"from_apex"`
					}
				}
			}
		}
		for f, into := range map[string]any{"truth.json": &truth, "surroundings.json": &sur} {
			data, err := os.ReadFile(filepath.Join(dir, f))
			require.NoError(t, err)
			require.NoError(t, json.Unmarshal(data, into))
		}
		sc, err := scan.Open(filepath.Join(dir, "pre"), scan.Options{})
		require.NoError(t, err)
		var dia float64
		json.Unmarshal(truth.Fixtures[0]["diameter_mm"], &dia)
		poses := map[string]geom.Pose{}
		for _, n := range []string{"planned", "achieved"} {
			var p struct{ Entry, Apex [3]float64 }
			require.NoError(t, json.Unmarshal(truth.Fixtures[0][n], &p))
			poses[n] = geom.Pose{Entry: v3(p.Entry), Apex: v3(p.Apex)}
		}
		start := time.Now()
		reg, ok := tissue.Look(&sc.Volume, tissue.Around{Poses: []geom.Pose{poses["planned"], poses["achieved"]}, Radius: 15, Above: 12, Beyond: 13})
		require.True(t, ok)
		fmt.Println(c, time.Since(start), "soft", reg.Soft, "air", reg.Air, "cortex", reg.Cortex, "marrow", reg.Marrow, "blur", reg.Blur, "noise", reg.Noise, reg.Measured, "leaks", reg.Leaks(), reg.Size)
		for _, n := range []string{"planned", "achieved"} {
			f := sur.Fixtures[0]
			tr := f.Planned
			if n == "achieved" {
				tr = f.Achieved
			}
			start := time.Now()
			got := Around(reg, Body{Pose: poses[n], Diameter: dia, Mesial: v3(f.Mesial), Buccal: v3(f.Buccal)})
			fmt.Println(n, time.Since(start))
			_ = r3.Norm
			for i, w := range got.Wall {
				d, k := i/8, i%8
				s := func(p *float64) float64 {
					if p == nil {
						return math.NaN()
					}
					return *p
				}
				fi := ""
				if tr.First[d][k] != nil {
					fi = fmt.Sprintf("%s %.2f", tr.First[d][k].What, tr.First[d][k].MM)
				}
				gf := ""
				if w.First != nil {
					gf = fmt.Sprintf("%s %.2f", w.First.What, w.First.MM)
				}
				mark := ""
				if w.Why == Known && tr.Bone[d][k] != nil {
					e := w.Value - *tr.Bone[d][k]
					errs = append(errs, e)
					zs = append(zs, e/((w.High-w.Value)/1.96))
					if math.Abs(e) <= w.High-w.Value {
						cov++
					}
				}
				if w.Why == Known && math.Abs(w.Value-s(tr.Bone[d][k])) > 0.3 {
					mark = "<<<<"
				}
				fmt.Printf("  %5.2f %-13s true %6.2f got %6.2f err %+.3f [%.2f] plate %5.2f/%5.2f inc %5.1f %-20s| %s / %s %s\n", w.Depth, Directions[k], s(tr.Bone[d][k]), w.Value, w.Value-s(tr.Bone[d][k]), w.High-w.Value, s(tr.Plate[d][k]), w.Thickness, s(tr.Inc[d][k]), w.Why, fi, gf, mark)
			}
			for k, cr := range got.Crest {
				v := math.NaN()
				if tr.Crest[k] != nil {
					v = *tr.Crest[k]
				}
				fmt.Printf("  crest %-13s true %6.3f got %6.3f err %+.3f [%.2f] thick %.2f %s\n", Directions[k], v, cr.Value, cr.Value-v, cr.High-cr.Value, cr.Thickness, cr.Why)
			}
			fmt.Printf("  apical true %v got %v\n", tr.Axis.FromApex, got.Apical)
		}
	}
}
