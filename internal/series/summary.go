package series

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"plumbline/internal/measurement"
)

// Seal says what a case's seal is worth.
type Seal string

// The values of Seal.
const (
	SealKept    Seal = "kept"    // sealed before surgery, and measured with the same plan
	SealWaiting Seal = "waiting" // sealed before surgery, not measured
	SealChanged Seal = "changed" // measured with another plan than the sealed one
	SealUnknown Seal = "unknown" // whether it was sealed before surgery, or with the same plan, cannot be told
	SealLate    Seal = "late"    // sealed only after the day of surgery or after measuring
	SealNone    Seal = "none"    // never sealed
)

// Status says what became of a case.
type Status string

// The values of Status.
const (
	StatusMeasured Status = "measured"
	StatusOpen     Status = "open"     // sealed, its surgery is today or to come
	StatusMissing  Status = "missing"  // sealed, the day of surgery is past, no measurement
	StatusLeftOut  Status = "left-out" // with a reason
	// The case's measurement was withdrawn, or all that was known of the case.
	StatusWithdrawn Status = "withdrawn"
	// A measurement that a later one of the case took the place of; of rows alone.
	StatusReplaced Status = "replaced"
)

// CaseState is what the records say of one case. Numbers are those of records.
type CaseState struct {
	Case      string `json:"case"`
	Clinician string `json:"clinician,omitempty"`
	Placed    string `json:"placed,omitempty"`

	Status      Status             `json:"status"`
	Seal        Seal               `json:"seal"`
	Sealed      []int              `json:"sealed,omitempty"`      // every seal
	Measurement int                `json:"measurement,omitempty"` // the one in force
	Earlier     []Earlier          `json:"earlier,omitempty"`     // measurements that it took the place of
	Withdrawn   []Withdrawal       `json:"withdrawn,omitempty"`   // records of the case that no longer count
	LeftOut     int                `json:"left_out,omitempty"`
	Reason      string             `json:"reason,omitempty"`
	Flags       []measurement.Flag `json:"flags"` // about the records, not about the figures

	plan     *Plan
	plans    map[int]*Plan
	joined   map[int]string // when a seal came here with another copy
	despite  map[int]string // why a plan in doubt was sealed, by record
	measured *measurement.Case
	with     *Plan // that the measurement in force was made with, where its record says so
	rows     []Row
	last     *Record // that Measurement names
	sealed   string  // when the seal that counts was made; empty without one
}

// Earlier is a measurement that a later one took the place of.
type Earlier struct {
	Record  int    `json:"record"`
	Time    string `json:"time"`
	Held    string `json:"held"`    // in words
	Changed string `json:"changed"` // by the next measurement, in words

	rows []Row
}

// Withdrawal is a record that no longer counts, and who withdrew it when and why.
type Withdrawal struct {
	Record int    `json:"record"`
	Time   string `json:"time"` // of the record
	Kind   Kind   `json:"kind"`
	Case   string `json:"case,omitempty"`
	Held   string `json:"held"` // in words
	By     int    `json:"by"`   // the record that withdraws it
	When   string `json:"when"`
	Author string `json:"author,omitempty"` // pseudonym of who withdrew it, where it was given
	Reason string `json:"reason"`

	rows []Row
	plan *Plan
}

// Counts reports whether a withdrawal takes a seal or figures out of the count, as
// against words.
func (w *Withdrawal) Counts() bool {
	return w.Kind == Sealed || w.Kind == Measured || w.Kind == Imported
}

// Summary is the whole series, case by case in the order of surgery.
type Summary struct {
	Cases       []CaseState `json:"cases"`
	Remarks     []Note      `json:"remarks"`
	Corrections []Note      `json:"corrections"`
	// Withdrawals are all records that no longer count, of every kind.
	Withdrawals []Withdrawal `json:"withdrawals"`
	Designs     []Designed   `json:"designs,omitempty"`
	Mended      int          `json:"mended"`           // unfinished lines taken off
	Joined      int          `json:"joined,omitempty"` // records that came with other copies

	Measured          int      `json:"measured"`
	SealedNotMeasured []string `json:"sealed_not_measured"`
	MeasuredNotSealed []string `json:"measured_not_sealed"` // never, or too late
	PlanChanged       []string `json:"plan_changed"`
	LeftOut           []string `json:"left_out"`
	Withdrawn         []string `json:"withdrawn"`  // cases with a seal or figures withdrawn
	Remeasured        []string `json:"remeasured"` // with another plan or alignment than the first measurement
	// Consecutive: every case past its day was sealed before it and measured with
	// the sealed plan, none left out, withdrawn or measured another way first.
	Consecutive bool   `json:"consecutive"`
	Words       string `json:"words"` // the same in a sentence
}

// Note is a remark or a correction in force.
type Note struct {
	Record   int    `json:"record"`
	Time     string `json:"time"`
	Case     string `json:"case,omitempty"`
	Author   string `json:"author,omitempty"`
	Corrects int    `json:"corrects,omitempty"`
	Held     string `json:"held,omitempty"`    // what the corrected record held, in words
	Written  string `json:"written,omitempty"` // when, where a remark came in a file of its own
	From     string `json:"from,omitempty"`    // that file
	Text     string `json:"text"`
}

// checkCorrection checks that a correction fits the record that it names.
func (r *Record) checkCorrection(before []Record) error {
	for i := range before {
		b := &before[i]
		if b.Number != r.Corrects {
			continue
		}
		switch {
		case b.Kind == Mended:
			return fmt.Errorf("record %d says what was taken off the file and cannot be corrected", b.Number)
		case r.Withdraw,
			r.Measurement != nil && b.Kind == Measured,
			len(r.Rows) > 0 && b.Kind == Imported,
			r.Text != "" && (b.Kind == Remark || b.Kind == LeftOut):
		default:
			return fmt.Errorf("record %d is of kind %q, which this correction does not fit", b.Number, b.Kind)
		}
		if r.Measurement != nil && r.Measurement.Case != b.Case {
			return fmt.Errorf("record %d is of case %q, the correction of %q", b.Number, b.Case, r.Measurement.Case)
		}
		for i := range r.Rows {
			if r.Rows[i].Case != b.Case {
				return fmt.Errorf("record %d is of case %q, the correction of %q", b.Number, b.Case, r.Rows[i].Case)
			}
		}
		return nil
	}
	return fmt.Errorf("there is no record %d to correct", r.Corrects)
}

// withCorrections gives the records with corrections applied: replaced ones have
// the new content under their own number. withdrawn has, for each record that no
// longer counts, the one that withdraws it.
func withCorrections(records []Record) (out []Record, withdrawn map[int]*Record) {
	at := make(map[int]int, len(records))
	for i := range records {
		at[records[i].Number] = i
	}
	out = slices.Clone(records)
	void := make([]bool, len(out))
	withdrawn = map[int]*Record{}
	// From the last to the first, so that a withdrawn correction does nothing.
	for i := len(out) - 1; i >= 0; i-- {
		c := &records[i]
		target, known := at[c.Corrects]
		if c.Kind == Correction && !void[i] && known && target < i && c.Withdraw {
			if !void[target] {
				withdrawn[out[target].Number] = c
			}
			void[target] = true
		}
	}
	for i := range records {
		c := &records[i]
		target, known := at[c.Corrects]
		if c.Kind != Correction || void[i] || !known || target >= i || c.Withdraw || c.checkCorrection(records[:i]) != nil {
			continue
		}
		t := &out[target]
		switch {
		case c.Measurement != nil:
			t.Measurement, t.Plan = c.Measurement, c.Plan
		case len(c.Rows) > 0:
			t.Rows = c.Rows
		case t.Kind == LeftOut:
			t.Reason = c.Text
		default:
			t.Text = c.Text
		}
	}
	return out, withdrawn
}

// SummariseOf says what the records of one clinician's cases mean. A case that was
// left out before anything was known of it may be anybody's, and stays.
//
// Errors: no case of that clinician.
func SummariseOf(clinician string, records []Record, today string) (Summary, error) {
	records = effective(records)
	known, own := map[string]bool{}, map[string]bool{"": true}
	for _, c := range Summarise(records, today).Cases {
		own[c.Case] = c.Clinician == clinician || c.Clinician == ""
		if c.Clinician != "" {
			known[c.Clinician] = true
		}
	}
	if !known[clinician] {
		return Summary{}, fmt.Errorf("there is no case of clinician %q; the series has %s", clinician, strings.Join(slices.Sorted(maps.Keys(known)), ", "))
	}
	s := Summarise(slices.DeleteFunc(slices.Clone(records), func(r Record) bool { return !own[r.Case] }), today)
	s.Designs = slices.DeleteFunc(s.Designs, func(d Designed) bool { return d.Clinician != clinician })
	return s, nil
}

// compareNames orders names as one counts: C-2 before C-10. Names that count alike are
// ordered as text.
func compareNames(a, b string) int {
	digits := func(s string) int {
		n := 0
		for n < len(s) && s[n] >= '0' && s[n] <= '9' {
			n++
		}
		return n
	}
	x, y := a, b
	for x != "" && y != "" {
		m, n := digits(x), digits(y)
		if m == 0 || n == 0 {
			if x[0] != y[0] {
				return cmp.Compare(x[0], y[0])
			}
			x, y = x[1:], y[1:]
			continue
		}
		p, q := strings.TrimLeft(x[:m], "0"), strings.TrimLeft(y[:n], "0")
		if c := cmp.Or(cmp.Compare(len(p), len(q)), cmp.Compare(p, q)); c != 0 {
			return c
		}
		x, y = x[m:], y[n:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

// Summarise says what the records mean. today (as in 2026-03-14) tells a sealed
// case whose surgery is to come from one that was never measured; empty takes
// every date as past.
func Summarise(records []Record, today string) Summary {
	records = effective(records)
	s := Summary{Remarks: []Note{}, Corrections: []Note{}, Withdrawals: []Withdrawal{}}
	cases := map[string]*CaseState{}
	var order []*CaseState
	get := func(name string) *CaseState {
		c := cases[name]
		if c == nil {
			c = &CaseState{Case: name, Flags: []measurement.Flag{}, plans: map[int]*Plan{}, joined: map[int]string{}, despite: map[int]string{}}
			cases[name] = c
			order = append(order, c)
		}
		return c
	}
	force, withdrawn := withCorrections(records)
	sealTimes := map[int]string{}
	for i := range force {
		r := &force[i]
		if by := withdrawn[r.Number]; by != nil {
			w := withdrawal(r, by)
			s.Withdrawals = append(s.Withdrawals, w)
			if r.Kind != Remark && r.Kind != Correction && r.Kind != Fixed {
				c := get(r.Case)
				c.Withdrawn = append(c.Withdrawn, w)
			}
			continue
		}
		switch r.Kind {
		case Sealed:
			c := get(r.Case)
			c.Sealed = append(c.Sealed, r.Number)
			c.plans[r.Number], c.despite[r.Number] = r.Plan, r.Reason
			sealTimes[r.Number] = r.Time
			if r.joined != nil {
				c.joined[r.Number] = r.joined.Time
			}
		case Measured, Imported:
			get(r.Case).measure(r)
		case LeftOut:
			c := get(r.Case)
			c.LeftOut, c.Reason = r.Number, r.Reason
		case Remark:
			n := Note{Record: r.Number, Time: r.Time, Case: r.Case, Author: r.Author, Text: r.Text}
			if r.Taken != nil {
				n.Written, n.From = r.Taken.Time, r.Taken.File
			}
			s.Remarks = append(s.Remarks, n)
		case Correction:
			s.Corrections = append(s.Corrections, Note{Record: r.Number, Time: r.Time, Case: r.Case, Author: r.Author, Corrects: r.Corrects, Held: heldBy(records, r.Corrects), Text: r.Reason})
		case Mended:
			s.Mended++
		case Fixed:
			d := Designed{Record: r.Number, Time: r.Time, Design: *r.Design}
			if r.joined != nil {
				// That it is older only a receipt of the other copy shows.
				d.Time = r.joined.Time
			}
			s.Designs = append(s.Designs, d)
		}
		if r.joined != nil {
			s.Joined++
		}
	}
	for _, c := range order {
		c.setStatus(sealTimes, today)
	}
	slices.SortStableFunc(order, func(a, b *CaseState) int {
		return cmp.Or(cmp.Compare(a.Placed, b.Placed), compareNames(a.Case, b.Case))
	})
	s.Cases = make([]CaseState, len(order))
	for i, c := range order {
		s.Cases[i] = *c
	}
	for i := range s.Designs {
		s.Designs[i].count(s.Cases)
	}
	s.countStatuses()
	return s
}

func (c *CaseState) measure(r *Record) {
	if c.last != nil {
		c.Earlier = append(c.Earlier, Earlier{Record: c.last.Number, Time: c.last.Time, Held: held(c.last), Changed: changedSince(c.last, r), rows: c.rows})
	}
	c.last, c.Measurement, c.measured, c.with, c.rows = r, r.Number, r.Measurement, r.Plan, rowsOf(r)
	c.Placed, c.Clinician = c.rows[0].Placed, c.rows[0].Clinician
}

func (c *CaseState) flag(code measurement.Code, format string, args ...any) {
	c.Flags = append(c.Flags, measurement.Flag{Code: code, Message: fmt.Sprintf(format, args...), Level: measurement.Notice})
}

// doubt is flag for what the record must not be relied on for.
func (c *CaseState) doubt(code measurement.Code, format string, args ...any) {
	c.Flags = append(c.Flags, measurement.Flag{Code: code, Message: fmt.Sprintf(format, args...), Level: measurement.Doubt})
}

// setStatus sets status and seal once all records of the case are known.
func (c *CaseState) setStatus(sealTimes map[int]string, today string) {
	if n := len(c.Sealed); n > 0 && c.Placed == "" {
		last := c.plans[c.Sealed[n-1]]
		c.Placed, c.Clinician = last.Placed, last.Clinician
	}
	first := c.Measurement
	for i, e := range c.Earlier {
		if i == 0 {
			first = e.Record
		}
		c.flag(measurement.CodeMeasuredAgain, "measured again after record %d, which held %s; changed since: %s; the last measurement counts (record %d)", e.Record, e.Held, e.Changed, c.Measurement)
	}
	for i := range c.Withdrawn {
		w := &c.Withdrawn[i]
		c.flag(measurement.CodeWithdrawn, "%s", w.Words())
		if c.Placed == "" {
			c.Placed, c.Clinician = w.of()
		}
	}
	followUp := c.followUpDate()
	inTime, scanned := 0, 0 // seals in time, and those that only the follow-up scan shows to be late
	for _, n := range c.Sealed {
		switch {
		case first != 0 && n > first && c.joined[n] == "" || recordedAfter(sealTimes[n], c.Placed):
		case recordedAfter(sealTimes[n], followUp):
			scanned = n
		default:
			inTime = n
		}
	}
	c.flagDoubts()
	switch {
	case len(c.Sealed) == 0:
		c.Seal = SealNone
	case inTime == 0 && scanned != 0:
		c.Seal = SealLate
		c.flag(measurement.CodeSealedLate, "the plan was sealed only after the follow-up scan of %s (record %d)", followUp, scanned)
	case inTime == 0:
		c.Seal = SealLate
		c.flag(measurement.CodeSealedLate, "the plan was sealed only after the day of surgery or after measuring (record %d)", c.Sealed[0])
	default:
		c.plan, c.sealed = c.plans[inTime], sealTimes[inTime]
		c.compareWithSeal(inTime)
		if when := c.joined[inTime]; recordedAfter(when, c.Placed) || first != 0 && inTime > first {
			c.Seal = SealUnknown
			c.flag(measurement.CodeSealJoined, "the seal (record %d) came with another copy of the series on %s, after surgery or measuring; that it was made on %s only a receipt of that copy shows", inTime, dayOf(when), dayOf(sealTimes[inTime]))
		}
		c.holdSealAgainstDates(sealTimes[inTime])
	}
	if c.Measurement != 0 && today != "" && c.Placed > today {
		c.doubt(measurement.CodeSurgeryToCome, "the case is measured, although its surgery of %s is still to come", c.Placed)
	}
	if len(c.Sealed) > 1 {
		c.flag(measurement.CodeSealedAgain, "sealed %d times; the last seal before surgery counts", len(c.Sealed))
	}
	switch {
	case c.LeftOut != 0:
		c.Status = StatusLeftOut
		if c.Measurement != 0 {
			c.flag(measurement.CodeLeftOutMeasured, "left out although there is a measurement (record %d); its figures are not used", c.Measurement)
		}
	case c.Measurement != 0:
		c.Status = StatusMeasured
	case c.withdrawn():
		c.Status = StatusWithdrawn
	case today != "" && c.Placed >= today:
		c.Status = StatusOpen
	default:
		c.Status = StatusMissing
	}
}

// flagDoubts tells of a plan that was in doubt when it was last sealed.
func (c *CaseState) flagDoubts() {
	n := len(c.Sealed)
	if n == 0 || len(c.plans[c.Sealed[n-1]].Doubts) == 0 {
		return
	}
	var codes []string
	for _, d := range c.plans[c.Sealed[n-1]].Doubts {
		codes = append(codes, d.Code)
	}
	slices.Sort(codes)
	c.flag(measurement.CodeSealedInDoubt, "sealed although the plan was in doubt (record %d: %s); the reason given: %s",
		c.Sealed[n-1], strings.Join(slices.Compact(codes), ", "), c.despite[c.Sealed[n-1]])
}

func (c *CaseState) compareWithSeal(seal int) {
	if c.Measurement == 0 {
		c.Seal = SealWaiting
		return
	}
	if c.measured == nil {
		c.Seal = SealUnknown
		c.flag(measurement.CodePlanUnknown, "the figures come from a table, which does not say whether the plan is the sealed one")
		return
	}
	change, what := c.plan.changed(c.measured, c.with)
	switch change {
	case planKept:
		c.Seal = SealKept
	case planEdited:
		c.Seal = SealKept
		c.flag(measurement.CodeCaseFileEdited, "the case file was edited after sealing (record %d); %s", seal, what)
	case planMoved:
		c.Seal = SealChanged
		c.doubt(measurement.CodePlanChanged, "the plan was changed after sealing (record %d): %s", seal, what)
	case planUnknown:
		c.Seal = SealUnknown
		c.flag(measurement.CodePlanUnknown, "the case file was edited after sealing (record %d); %s", seal, what)
	}
	if lacks := c.plan.NotCovered(); c.Seal == SealKept && lacks != "" {
		c.flag(measurement.CodeSealPartial, "the seal (record %d) does not cover %s", seal, lacks)
	}
}

// followUpDate is the day of the follow-up scan that the case was measured in, "" where
// the record does not hold it.
func (c *CaseState) followUpDate() string {
	if c.measured == nil {
		return ""
	}
	return c.measured.Inputs.PostDate
}

// holdSealAgainstDates takes the seal's worth from a case whose dates do not show that it
// was sealed, at a time, before surgery.
func (c *CaseState) holdSealAgainstDates(sealed string) {
	if c.measured == nil || c.Seal != SealKept {
		return
	}
	in := c.measured.Inputs
	why := ""
	switch undated := slices.ContainsFunc(c.measured.Flags, func(f measurement.Flag) bool { return f.Code == measurement.CodeScanUndated }); {
	case recordedBefore(sealed, in.PreDate) && c.plan.PreSHA256 != "":
		why = fmt.Sprintf("the seal holds a planning scan of %s, which is later, so a clock was wrong", in.PreDate)
	case in.PostDate != "" && in.PostDate < c.Placed:
		why = fmt.Sprintf("the follow-up scan of %s is older than the surgery of %s, so one of both dates is wrong", in.PostDate, c.Placed)
	case in.PostDate == "" && undated:
		why = "the follow-up scan does not say when it was taken"
	case in.PostDate == "" && in.PostSHA256 != "":
		c.flag(measurement.CodeScanDatesNotHeld, "an earlier version of the program measured it and did not record the scans' dates, so they were not held against the seal; measure it again to have that")
		return
	default:
		return
	}
	c.Seal = SealUnknown
	c.flag(measurement.CodeSealNotShown, "that the plan was sealed before surgery cannot be shown: %s", why)
}

// recordedBefore reports whether a record's own calendar day is earlier than a date.
func recordedBefore(recorded, date string) bool {
	t, err := time.Parse(time.RFC3339, recorded)
	return err == nil && date != "" && t.Format(time.DateOnly) < date
}

// recordedAfter reports whether a record's own calendar day is later than a date.
func recordedAfter(recorded, date string) bool {
	t, err := time.Parse(time.RFC3339, recorded)
	return err == nil && date != "" && t.Format(time.DateOnly) > date
}

func (s *Summary) countStatuses() {
	s.SealedNotMeasured, s.MeasuredNotSealed, s.PlanChanged, s.LeftOut = []string{}, []string{}, []string{}, []string{}
	s.Withdrawn, s.Remeasured = []string{}, []string{}
	unknown := 0
	for i := range s.Cases {
		c := &s.Cases[i]
		if slices.ContainsFunc(c.Withdrawn, func(w Withdrawal) bool { return w.Counts() }) {
			s.Withdrawn = append(s.Withdrawn, c.Case)
		}
		switch c.Status {
		case StatusLeftOut:
			s.LeftOut = append(s.LeftOut, c.Case)
			continue
		case StatusWithdrawn:
			continue
		case StatusMissing:
			s.SealedNotMeasured = append(s.SealedNotMeasured, c.Case)
			continue
		case StatusOpen:
			continue
		}
		s.Measured++
		if slices.ContainsFunc(c.Earlier, func(e Earlier) bool { return e.Changed != onlyTheProgram }) {
			s.Remeasured = append(s.Remeasured, c.Case)
		}
		switch c.Seal {
		case SealNone, SealLate:
			s.MeasuredNotSealed = append(s.MeasuredNotSealed, c.Case)
		case SealChanged:
			s.PlanChanged = append(s.PlanChanged, c.Case)
		case SealUnknown:
			unknown++
		}
	}
	var why []string
	for _, list := range []struct {
		cases []string
		words string
	}{
		{s.SealedNotMeasured, "sealed and never measured"},
		{s.MeasuredNotSealed, "not sealed before surgery"},
		{s.PlanChanged, "with another plan than the sealed one"},
		{s.LeftOut, "left out with a reason"},
		{s.Withdrawn, "with a seal or figures withdrawn"},
		{s.Remeasured, "measured again another way"},
	} {
		if n := len(list.cases); n > 0 {
			why = append(why, fmt.Sprintf("%d %s (%s)", n, list.words, joinNames(list.cases)))
		}
	}
	if unknown > 0 {
		why = append(why, fmt.Sprintf("%d with a seal of which neither time nor plan can be checked", unknown))
	}
	s.Consecutive = len(why) == 0 && s.Measured > 0
	switch {
	case s.Measured == 0 && len(why) == 0:
		s.Words = "No case is measured yet."
	case s.Consecutive:
		s.Words = fmt.Sprintf("Consecutive: all %d cases were sealed before surgery and measured with the sealed plan.", s.Measured)
		if s.Measured == 1 {
			s.Words = "The one case was sealed before surgery and measured with the sealed plan."
		}
	default:
		measured := fmt.Sprintf("%d cases are measured", s.Measured)
		switch s.Measured {
		case 0:
			measured = "No case is measured yet"
		case 1:
			measured = "1 case is measured"
		}
		s.Words = fmt.Sprintf("%s. Nothing shows that these are all cases: %s.", measured, strings.Join(why, "; "))
	}
}

// joinNames lists the first names.
func joinNames(names []string) string {
	const most = 8
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}

// Rows are the fixtures of the measured cases that count, in the order of
// surgery.
func (s *Summary) Rows() []Row {
	var out []Row
	for i := range s.Cases {
		if s.Cases[i].Status == StatusMeasured {
			out = append(out, s.Cases[i].rows...)
		}
	}
	return out
}
