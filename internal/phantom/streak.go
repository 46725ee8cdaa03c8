package phantom

// metalGrey is the grey value of a small piece of each alloy.
var metalGrey = [alloys]float64{15000, 36000}

func (st *stage) addStreaks(b *block, c Scan, patches []*patch) {}
