package cause

// Decide names the causes that the evidence points to, most likely first; none when the
// reading is as usual.
func Decide(e Evidence) []Finding { return nil }
