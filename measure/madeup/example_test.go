package madeup_test

import (
	"fmt"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
)

// A shop's cyan runs weak: how far is the chart from its good state?
func ExampleShop_Read() {
	shop, err := madeup.NewShop(17, madeup.DefaultConfig())
	if err != nil {
		fmt.Println(err)
		return
	}
	weak := madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -10}}}
	good, err := shop.Read(madeup.Occasion{Day: 3}, madeup.Faults{})
	if err != nil {
		fmt.Println(err)
		return
	}
	bad, err := shop.Read(madeup.Occasion{Day: 3}, weak)
	if err != nil {
		fmt.Println(err)
		return
	}
	sum := 0.0
	for p := range good.Lab {
		sum += colour.DE2000(good.Lab[p], bad.Lab[p])
	}
	fmt.Printf("%d patches, mean dE00 above 0.5: %v\n", len(good.Lab), sum/float64(len(good.Lab)) > 0.5)
	// Output: 360 patches, mean dE00 above 0.5: true
}
