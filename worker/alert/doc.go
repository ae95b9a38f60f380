// Package alert decides what a printer's alerts do next: raised, worse, better, reminded, cleared,
// held, closed or absorbed, each with a reason in a word.
//
// It is pure. Next takes the state that the last record carried, one input (a verdict, a note or
// the timer) and the time, and returns the new state and a Decision; it reads no clock, sends
// nothing and keeps nothing. A printer's alerts have one order because its inputs have one order.
//
// What a verdict means for the shop's goods was decided by the judge. What is decided here is
// whether people should be told: a cause is raised when two of a series' last three readings show
// it, or two series at once, or one whose evidence needs no second; it is cleared when the series
// that showed it stop showing it. What to do about a cause, and what could hurt while doing it,
// stands in advice.go and nowhere else.
package alert
