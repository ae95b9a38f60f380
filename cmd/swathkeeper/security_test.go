package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestThreatsAreTested: every row of the table of threats names at least one test, and each test that
// is named stands in the package that is named before it, or in any where none is.
func TestThreatsAreTested(t *testing.T) {
	t.Parallel()
	known := testFunctions(t)
	b, err := os.ReadFile(filepath.Join(deployDir, "SECURITY.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, table, ok := bytes.Cut(b, []byte("| who | what they could try | what stops it | shown by |\n|---|---|---|---|\n"))
	if !ok {
		t.Fatal("there is no table of threats")
	}
	rows := 0
	for _, line := range strings.Split(string(table), "\n") {
		if !strings.HasPrefix(line, "|") {
			break
		}
		rows++
		cells := strings.Split(strings.Trim(line, "| "), " | ")
		if len(cells) != 4 {
			t.Errorf("a row with %d cells: %s", len(cells), line)
			continue
		}
		named := 0
		pkg := ""
		for _, m := range regexp.MustCompile("`([^`]+)`|\\b((?:Test|Fuzz)\\w+)").FindAllStringSubmatch(cells[3], -1) {
			switch {
			case m[1] == ".ci/run":
				if _, err := os.Stat("../../.ci/run"); err == nil {
					named++
				}
			case m[1] != "":
				pkg = m[1]
			default:
				named++
				in := known[m[2]]
				if len(in) == 0 || pkg != "" && !in[pkg] {
					t.Errorf("%s: there is no test %s in %s: %s", cells[0], m[2], pkg, cells[1])
				}
			}
		}
		if named == 0 {
			t.Errorf("no test shows what stops this: %s: %s", cells[0], cells[1])
		}
	}
	if rows < 15 {
		t.Errorf("only %d rows were found", rows)
	}
}

// testFunctions gives every test and fuzz target with the folders that it stands in.
func testFunctions(t *testing.T) map[string]map[string]bool {
	t.Helper()
	out := map[string]map[string]bool{}
	root := filepath.Join("..", "..")
	for _, dir := range []string{"cmd", "worker", "measure", "protocol"} {
		err := filepath.WalkDir(filepath.Join(root, dir), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
				return err
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(root, filepath.Dir(path))
			if err != nil {
				return err
			}
			for _, decl := range f.Decls {
				fn, ok := decl.(*ast.FuncDecl)
				if !ok || fn.Recv != nil || !regexp.MustCompile(`^(Test|Fuzz)[A-Z]`).MatchString(fn.Name.Name) {
					continue
				}
				if out[fn.Name.Name] == nil {
					out[fn.Name.Name] = map[string]bool{}
				}
				out[fn.Name.Name][filepath.ToSlash(rel)] = true
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}
