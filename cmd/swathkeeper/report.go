package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/report"
)

func init() { extra = append(extra, newReport) }

func newReport() *cobra.Command {
	var site, printer, since, until, out, pdf string
	c := &cobra.Command{
		Use:   "report",
		Short: "One page about one printer: alerts, control charts, what was done, whether it helped",
		Long: `One page about one printer, as HTML that needs nothing else: what is open, how every
figure went, what was done and whether it helped, and the chart before and now. It reads
well on a screen, light or dark, on a phone and on A4 paper.

--pdf writes the same as PDF, by a Chromium or Chrome browser where one is installed.`,
		Example: `  swathkeeper report --printer heron --out heron.html
  swathkeeper report --printer heron --since 2026-03-01 --until 2026-04-01 --out march.html
  swathkeeper report --printer heron --since 90d --pdf heron.pdf`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := needToken("printer", printer); err != nil {
				return err
			}
			if out == "" && pdf == "" {
				return usagef("give --out FILE.html, or --pdf FILE.pdf, or both")
			}
			if _, _, err := spanAt(since, until, time.Now()); err != nil {
				return err
			}
			if pdf != "" && browser() == "" {
				return errors.New("--pdf needs a browser (chromium or google-chrome) on this machine; write --out FILE.html and print that from a browser")
			}
			cl, zone, err := lookAt(c, site, printer)
			if err != nil {
				return err
			}
			defer cl.close()
			from, to, now, err := cl.span(since, until)
			if err != nil {
				return err
			}
			if to.IsZero() {
				to = now
			}
			if !to.After(from) {
				return usagef("--since %s is not in the past", since)
			}
			page, err := report.Collect(cl.ctx, cl.js, site, printer, from, to, now, zone, cl.cfg.judgeOptions().Drift.WithDefaults().Tolerances)
			if err != nil {
				return cl.explain(err)
			}
			return writeReport(c, page, out, pdf)
		},
	}
	f := c.Flags()
	f.StringVar(&printer, "printer", "", "the printer")
	f.StringVar(&site, "site", "", "its site, where several have a printer of that name")
	f.StringVar(&since, "since", "30d", "from then on: 7d, monday, 2026-03-04")
	f.StringVar(&until, "until", "", "up to then (default: now)")
	f.StringVar(&out, "out", "", "the HTML file to write; - is the standard output")
	f.StringVar(&pdf, "pdf", "", "the PDF file to write")
	return c
}

// writeReport writes a page as HTML, as PDF or as both, and says which files it wrote. HTML to - goes
// where text goes.
func writeReport(c *cobra.Command, page *report.Page, out, pdf string) error {
	var written []string
	html := out
	if out == "-" {
		if err := page.WriteHTML(c.OutOrStdout()); err != nil {
			return err
		}
	} else if out != "" {
		written = append(written, out)
	}
	if pdf != "" {
		written = append(written, pdf)
		if out == "" || out == "-" {
			dir, err := os.MkdirTemp("", "swathkeeper-report-")
			if err != nil {
				return err
			}
			defer os.RemoveAll(dir)
			html = filepath.Join(dir, "report.html")
		}
	}
	if html != "-" {
		if err := writeWholeBy(html, page.WriteHTML); err != nil {
			return err
		}
	}
	if pdf != "" {
		if err := printPDF(c.Context(), html, pdf); err != nil {
			return err
		}
	}
	if out == "-" {
		return nil
	}
	_, err := fmt.Fprintln(c.OutOrStdout(), "written:", strings.Join(written, ", "))
	return err
}

// browser finds a browser that can print to PDF without a window.
func browser() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// printLimit is how long a browser may take over one page.
const printLimit = 2 * time.Minute

// printPDF lets a browser print a page.
func printPDF(ctx context.Context, page, pdf string) error {
	abs, err := filepath.Abs(page)
	if err != nil {
		return err
	}
	profile, err := os.MkdirTemp("", "swathkeeper-browser-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(profile)
	to := filepath.Join(profile, "page.pdf")
	ctx, cancel := context.WithTimeout(ctx, printLimit)
	defer cancel()
	args := []string{"--headless", "--disable-gpu", "--no-first-run", "--disable-extensions", "--user-data-dir=" + profile, "--no-pdf-header-footer", "--print-to-pdf=" + to}
	if os.Geteuid() == 0 {
		args = append(args, "--no-sandbox") // a browser refuses its sandbox to root; the page has no script
	}
	out, err := exec.CommandContext(ctx, browser(), append(args, "file://"+abs)...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("the browser did not print the page: %w: %s", err, out[:min(len(out), 400)])
	}
	printed, err := os.ReadFile(to)
	if err != nil {
		return fmt.Errorf("the browser printed nothing: %s", out[:min(len(out), 400)])
	}
	return writeWhole(pdf, printed)
}
