package phantom

import "math"

// The beam: a 90 kV tube behind some 6 mm of aluminium, seen by a detector that
// weighs a photon by its energy, in five lines. Mass attenuation coefficients,
// cm²/g, at those energies: J. H. Hubbell and S. M. Seltzer, Tables of X-Ray Mass
// Attenuation Coefficients, NISTIR 5632 (water; cortical bone of ICRU report 44;
// titanium from memory); cobalt-chromium is taken as 0.63 Co, 0.30 Cr, 0.07 Mo, from
// memory to about 5 %. The weights are our own estimate. They only set how strong the
// artefacts are, not where anything lies.
const spectralLines = 5

var (
	lineWeight = [spectralLines]float64{0.10, 0.24, 0.27, 0.22, 0.17} // at 30, 40, 50, 60, 80 keV
	massWater  = [spectralLines]float64{0.3756, 0.2683, 0.2269, 0.2059, 0.1837}
	massBone   = [spectralLines]float64{1.331, 0.6655, 0.4242, 0.3148, 0.2229}
	massMetal  = [alloys][spectralLines]float64{
		{4.972, 2.214, 1.213, 0.7661, 0.4052},
		{9.4, 4.25, 2.32, 1.44, 0.70},
	}
	density = [alloys]float64{4.506, 8.4} // g/cm³
)

// reference is the line that grey values refer to, 60 keV.
const reference = 3

// muWater is the linear attenuation of water at the reference, 1/mm.
var muWater = massWater[reference] / 10

// metalGrey is the grey value of a piece of each alloy so small that it hardens
// nothing.
var metalGrey = func() (g [alloys]float64) {
	for a := range g {
		g[a] = 1000 * (muMetal(alloy(a), reference)/muWater - 1)
	}
	return g
}()

func muMetal(a alloy, line int) float64 { return massMetal[a][line] * density[a] / 10 }

// ray is the path lengths of a ray: soft tissue as mm of water, what is denser than that
// as bone in mm of water at the reference energy, and mm of each alloy.
type ray struct {
	soft, bone float64
	metal      [alloys]float64
}

// softTop is the density, in water's, up to which tissue behaves like water.
const softTop = 1.1

// intensity is the transmitted fraction of the beam, Σ w(E)·exp(−∫μ(E) dl).
func (r *ray) intensity() float64 {
	sum := 0.0
	for e := range spectralLines {
		p := r.soft*massWater[e]/10 + r.bone*muWater*massBone[e]/massBone[reference]
		for a := range r.metal {
			p += r.metal[a] * muMetal(alloy(a), e)
		}
		sum += lineWeight[e] * math.Exp(-p)
	}
	return sum
}

// waterCorrection turns a measured −ln(I) into the monochromatic attenuation of the same
// length of water at the reference energy: the usual correction of beam hardening.
type waterCorrection struct {
	step  float64
	value []float64
}

// waterCorrectionMax is where the table ends: as much as 10 in −ln(I) is noise.
const waterCorrectionMax = 14.0

func newWaterCorrection() *waterCorrection {
	l := &waterCorrection{step: 0.02}
	water := func(mm float64) float64 {
		r := ray{soft: mm}
		return -math.Log(r.intensity())
	}
	mm := 0.0
	for i := 0; float64(i)*l.step <= waterCorrectionMax; i++ {
		p := float64(i) * l.step
		for range 6 { // Newton, from the last value
			const h = 0.01
			mm -= (water(mm) - p) * h / (water(mm+h) - water(mm))
		}
		l.value = append(l.value, mm*muWater)
	}
	return l
}

func (l *waterCorrection) at(p float64) float64 {
	u := max(0, min(float64(len(l.value))-1.001, p/l.step))
	i := int(u)
	return l.value[i] + (u-float64(i))*(l.value[i+1]-l.value[i])
}
