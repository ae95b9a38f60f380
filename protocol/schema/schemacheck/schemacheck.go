// Package schemacheck holds messages against their JSON Schemas. It is for tests, here and in
// whatever writes messages: the worker itself decodes with package protocol, which is stricter and
// faster.
package schemacheck

import (
	"bytes"
	"fmt"
	"io/fs"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"swathkeeper/protocol/schema"
)

// base is where the schemas pretend to lie, so that they can refer to each other by file name.
const base = "mem:///"

// Check returns an error unless data is a JSON document that the schema called name (reading,
// chart, note, verdict, record or baseline) accepts. Formats such as date-time count.
func Check(name string, data []byte) error {
	all, err := schemas()
	if err != nil {
		return err
	}
	s, ok := all[name]
	if !ok {
		return fmt.Errorf("there is no schema %q", name)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		return err
	}
	return s.Validate(doc)
}

var schemas = sync.OnceValues(func() (map[string]*jsonschema.Schema, error) {
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	c.AssertFormat()
	files, err := fs.Glob(schema.Files, "*.schema.json")
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		data, err := schema.Files.ReadFile(f)
		if err != nil {
			return nil, err
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f, err)
		}
		if err := c.AddResource(base+f, doc); err != nil {
			return nil, fmt.Errorf("%s: %w", f, err)
		}
	}
	all := map[string]*jsonschema.Schema{}
	for _, name := range schema.Names() {
		if all[name], err = c.Compile(base + name + ".schema.json"); err != nil {
			return nil, err
		}
	}
	return all, nil
})
