// Package drawing draws the pictures of a report: cuts through the follow-up scan
// with the planned and achieved outlines over them, the fixture on its rulers, interval strips
// and charts. A picture is a Drawing, plain shapes in millimetres of paper that
// every backend draws alike; SVG is here, the PDF's is with the report. Charts with
// axes are plots of gonum.org/v1/plot on a canvas that records them as a Drawing.
//
// Conventions: paper coordinates are mm, x to the right, y down. Points of the
// patient are in the planning frame, LPS, mm. Planned is always dashed with open
// marks and achieved always solid with filled marks, so that colour is never the
// only sign. Start with Scene for the pictures of one fixture.
package drawing

// Point is a place on paper, mm, y down.
type Point struct{ X, Y float64 }

// Ink is a colour as #rrggbb; "" is none.
type Ink string

// The inks. Each pair of planned and achieved differs in lightness and lies on
// the blue and yellow axis, which the common forms of colour blindness keep.
const (
	Black Ink = "#16202a" // text and axes
	Grey  Ink = "#5b6670" // lesser text; 5.9:1 on white
	Faint Ink = "#c3cad0" // grid lines
	Wash  Ink = "#eceff1" // areas behind text
	White Ink = "#ffffff"

	Planned  Ink = "#8a5200" // on paper
	Achieved Ink = "#0b4f8a"

	PlannedOnScan  Ink = "#ffc20a" // over grey values, cased in dark
	AchievedOnScan Ink = "#8fd0ff"

	StructureOnScan Ink = "#ffffff" // canals, roots and the like; their lines differ by dash and name
	Casing          Ink = "#05080b"
)

// Layer is a part of a drawing that a reader may switch off.
type Layer string

// The layers of a cut; all else is in none.
const (
	PlannedLayer  Layer = "planned"
	AchievedLayer Layer = "achieved"

	StructureLayer Layer = "structures"
)

// Drawing is a picture with its text alternative.
type Drawing struct {
	Width, Height float64
	Alt           string // what the picture shows, for those who do not see it
	Items         []Item
	Spots         []Spot // where it shows single cases of a record
}

// Spot is where a drawing shows a case. It is not seen: where a drawing is alive, it says
// which case that is and leads to it.
type Spot struct {
	Case, Says string // the case by its own name, and what is said of it
	Min, Max   Point
}

// Item is one of Path, Label, Raster and Clip.
type Item interface{ item() }

// Path is a line through points, or the area that they close.
type Path struct {
	Points []Point
	Closed bool
	Stroke Ink
	Fill   Ink
	Width  float64   // of the stroke, mm
	Dash   []float64 // lengths on and off, mm; nil is solid
	Layer  Layer
}

// Anchor says which part of a label lies at its point.
type Anchor string

// The anchors, as SVG names them.
const (
	Start  Anchor = "start"
	Middle Anchor = "middle"
	End    Anchor = "end"
)

// Label is one line of text; At is on its baseline.
type Label struct {
	At     Point
	Text   string
	Size   float64 // height of the type, mm
	Anchor Anchor
	Ink    Ink
	Bold   bool
	Turned bool // reads upwards
	Layer  Layer
}

// Raster is a picture in grey or colour, stretched over a rectangle.
type Raster struct {
	Min           Point
	Width, Height float64
	PNG           []byte
}

// Clip shows its items only inside a rectangle.
type Clip struct {
	Min           Point
	Width, Height float64
	Items         []Item
}

func (Path) item()   {}
func (Label) item()  {}
func (Raster) item() {}
func (Clip) item()   {}

func (d *Drawing) add(items ...Item) { d.Items = append(d.Items, items...) }

// spotted notes where a case is shown.
func (d *Drawing) spotted(of, says string, low, high Point) {
	d.Spots = append(d.Spots, Spot{of, says, low, high})
}

// spotReach is how far about a mark a spot reaches, mm, so that it can be pointed at.
const spotReach = 1.3

// spottedAt notes that a case is shown by a mark.
func (d *Drawing) spottedAt(of, says string, at Point) {
	d.spotted(of, says, Point{at.X - spotReach, at.Y - spotReach}, Point{at.X + spotReach, at.Y + spotReach})
}

// line is a straight stroke.
func line(x1, y1, x2, y2, width float64, ink Ink, dash ...float64) Path {
	return Path{Points: []Point{{x1, y1}, {x2, y2}}, Stroke: ink, Width: width, Dash: dash}
}

func label(x, y, size float64, anchor Anchor, text string) Label {
	return Label{At: Point{x, y}, Text: text, Size: size, Anchor: anchor, Ink: Black}
}

func rectangle(x, y, w, h float64) Path {
	return Path{Points: []Point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, Closed: true}
}
