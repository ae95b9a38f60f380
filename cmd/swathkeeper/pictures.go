package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/station"
)

// pictureFlags are those of commands that read scans of printed charts.
type pictureFlags struct {
	layouts     []string
	calibration string
}

func (p *pictureFlags) add(c *cobra.Command) {
	p.addLayouts(c)
	c.Flags().StringVar(&p.calibration, "calibration", "", "calibration of this scanner, as 'swathkeeper scan calibrate' writes it, or none (default: "+station.CalibrationFile+" in the data folder, where there is one)")
}

func (p *pictureFlags) addLayouts(c *cobra.Command) {
	c.Flags().StringArrayVar(&p.layouts, "layout", nil, "layout of a chart that is scanned; may be repeated (default: beside the picture, or known to the worker)")
}

// pictures is what reading scans needs. The worker is asked for a layout only when nothing else has
// it.
func (p *pictureFlags) pictures(c *cobra.Command, cfg *config) (*station.Pictures, error) {
	out := &station.Pictures{Layouts: &station.Layouts{Near: []string{"."}, Fetch: func(ctx context.Context, id, edition string) (*protocol.Chart, error) {
		cl, err := look(c)
		if err != nil {
			return nil, fmt.Errorf("it is not here (name its file with --layout), and no worker can be asked: %w", err)
		}
		defer cl.close()
		var o station.Outlet
		o.Open(cl.js)
		return o.Layout(cl.ctx, id, edition)
	}}}
	for _, name := range p.layouts {
		l, err := station.ReadLayout(name, "")
		if err != nil {
			return nil, err
		}
		out.Layouts.Add(l)
	}
	var err error
	out.Calibration, err = p.load(cfg)
	return out, err
}

// load gives the calibration that is to be used, or nil.
func (p *pictureFlags) load(cfg *config) (*station.Calibration, error) {
	switch p.calibration {
	case "none":
		return nil, nil
	case "":
		name := filepath.Join(cfg.Data, station.CalibrationFile)
		if _, err := os.Stat(name); errors.Is(err, fs.ErrNotExist) {
			return nil, nil
		}
		return station.LoadCalibration(name)
	}
	return station.LoadCalibration(p.calibration)
}
