// Package station is the sending side: it turns the files that instruments leave behind into
// readings and puts them on the bus.
package station
