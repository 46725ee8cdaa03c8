package series

import "plumbline/internal/plan/casefile"

// NamesPerson says which of a record's names is written as a person's, in words; "" where
// none is. Records of earlier versions are read all the same.
func (r *Record) NamesPerson() string {
	type named struct{ what, text string }
	all := []named{{"the case's name", r.Case}, {"the author", r.Author}}
	if r.Plan != nil {
		all = append(all, named{"the clinician", r.Plan.Clinician})
	}
	if r.Design != nil {
		all = append(all, named{"the clinician", r.Design.Clinician})
	}
	if m := r.Measurement; m != nil {
		all = append(all, named{"the case's name", m.Case}, named{"the clinician", m.Clinician})
	}
	for _, row := range r.Rows {
		all = append(all, named{"the case's name", row.Case}, named{"the clinician", row.Clinician})
	}
	if r.Source != nil {
		all = append(all, named{"the name of the file", r.Source.File})
	}
	for _, n := range all {
		if casefile.LooksLikeName(n.text) {
			return n.what
		}
	}
	return ""
}
