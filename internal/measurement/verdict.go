package measurement

// VerdictCode names a verdict for programs. What a code means never changes.
type VerdictCode string

// The verdicts, the gravest first.
const (
	StructureEntered VerdictCode = "structure-entered"
	MarginMissed     VerdictCode = "margin-missed"
	InDoubt          VerdictCode = "doubt"
	OutsideLimits    VerdictCode = "outside-limits"
	NothingAgainst   VerdictCode = "nothing-against-it"
	NotChecked       VerdictCode = "not-checked"
)

// Blame says whose a breach is.
type Blame string

// Whose a breach is: the plan's, that of what was lost between plan and
// placement, or that of both.
const (
	ByPlan     Blame = "plan"
	ByTransfer Blame = "transfer"
	ByBoth     Blame = "plan and transfer"
)

// Verdict is what counts most of a fixture or a case.
type Verdict struct {
	Code       VerdictCode `json:"code"`
	By         Blame       `json:"by,omitempty"`          // of a breach
	Doubt      bool        `json:"doubt,omitempty"`       // the figures are in doubt, whatever the code
	Message    string      `json:"message"`               // all that counts, the gravest first
	NotChecked []string    `json:"not_checked,omitempty"` // kinds of structure that are due and were not given
}

// Share parts a clearance into what the plan left over its margin and what
// placing changed, mm. Both are signed; less than zero is a loss.
type Share struct {
	Plan     *float64 `json:"plan_mm,omitempty"`     // planned distance less the margin
	Transfer *float64 `json:"transfer_mm,omitempty"` // achieved less planned distance
}
