package station

import (
	"encoding/json"
	"fmt"

	"swathkeeper/measure/chart"
	"swathkeeper/protocol"
)

// FromLayout gives a layout as it travels. Both forms use the same names, so the JSON of one is
// read as the other.
func FromLayout(l *chart.Layout) (*protocol.Chart, error) {
	data, err := json.Marshal(struct {
		Schema string `json:"schema"`
		*chart.Layout
	}{protocol.SchemaChart, l})
	if err != nil {
		return nil, fmt.Errorf("layout %s: %w", l.ID, err)
	}
	c, err := protocol.DecodeChart(data)
	if err != nil {
		return nil, fmt.Errorf("layout %s: %w", l.ID, err)
	}
	return c, nil
}

// ToLayout gives a layout as the measuring packages take it.
func ToLayout(c *protocol.Chart) (*chart.Layout, error) {
	data, err := json.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("layout %s: %w", c.ID, err)
	}
	var l chart.Layout
	if err := json.Unmarshal(data, &l); err != nil {
		return nil, fmt.Errorf("layout %s: %w", c.ID, err)
	}
	return &l, nil
}
