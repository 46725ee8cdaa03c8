package series

import "fmt"

// Verdict says whether a series file is as it was written.
type Verdict struct {
	Records    int         `json:"records"`
	Receipt    string      `json:"receipt,omitempty"` // of the head as it is now; none of a broken chain
	Sound      bool        `json:"sound"`             // no fault, and the receipt, if one was given, fits
	Faults     []Fault     `json:"faults"`
	Unfinished *Unfinished `json:"unfinished,omitempty"`
	Held       *Held       `json:"held,omitempty"` // of a given receipt
	Limits     string      `json:"limits"`
}

// Held says what a receipt given earlier proves of the file as it is now.
type Held struct {
	Receipt string `json:"receipt"`
	Records int    `json:"records"` // how many the file held then
	Same    bool   `json:"same"`    // they are all here, unchanged
	Message string `json:"message"`
}

// Check reads the file, checks the chain and, unless receipt is empty, that the
// file still begins with all that it held when that receipt was given.
//
// Errors: a file that cannot be read, or a receipt that cannot be one. A file
// that was tampered with is no error but a Verdict that is not Sound.
func Check(path, receipt string) (Verdict, error) {
	f, err := Read(path)
	if err != nil {
		return Verdict{}, err
	}
	return f.Check(receipt)
}

// Check is Check for a file already read.
func (f *File) Check(receipt string) (Verdict, error) {
	v := Verdict{Records: len(f.Records), Receipt: f.Receipt(), Faults: f.Faults, Unfinished: f.Unfinished, Limits: CannotProve}
	if v.Faults == nil {
		v.Faults = []Fault{}
	}
	v.Sound = len(v.Faults) == 0
	if !v.Sound {
		v.Limits, v.Receipt = BrokenProves, "" // a receipt would vouch for what is broken
	}
	if receipt == "" {
		return v, nil
	}
	number, symbols, err := parseReceipt(receipt)
	if err != nil {
		return Verdict{}, err
	}
	v.Held = f.findReceipt(number, symbols)
	v.Held.Receipt = receipt
	v.Sound = v.Sound && v.Held.Same
	return v, nil
}

func (f *File) findReceipt(number int, symbols string) *Held {
	if h := f.heldByCopy(number, symbols); h != nil {
		return h
	}
	h := &Held{Records: number}
	for _, r := range f.Records {
		if r.Number != number {
			continue
		}
		if prefix, err := hashPrefix(r.Hash); err != nil || prefix != symbols {
			h.Message = fmt.Sprintf("record %d is not the one that the receipt was given for: the file was written anew from some record up to %d", number, number)
			return h
		}
		for _, fault := range f.Faults {
			if fault.Line <= r.line {
				h.Message = fmt.Sprintf("record %d is the one that the receipt was given for, but records before it were changed", number)
				return h
			}
		}
		h.Same = true
		h.Message = fmt.Sprintf("the first %d records are all here, unchanged since the receipt was given", number)
		if number == 1 {
			h.Message = "the first record is here, unchanged since the receipt was given"
		}
		return h
	}
	h.Message = fmt.Sprintf("the receipt was given when the file held %d records; record %d is not here: the end was cut off or the record was changed", number, number)
	return h
}
