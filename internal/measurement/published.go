package measurement

// The largest deviations of guided cases that reviews report, mm (Tahmaseb and others, Int J
// Oral Maxillofac Implants 2014;29 Suppl:25; Jung and others, the same 2009;24 Suppl:92).
const (
	LargestPublishedEntry = 4.5
	LargestPublishedApex  = 7.1
)
