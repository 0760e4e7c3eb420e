// Package contract holds the MQTT contract as documents: an AsyncAPI 3 document
// and a JSON Schema (2020-12) for each payload. It serves tests and readers; the
// program does not contain it. README.md says how to use it and how to add to it.
package contract

import (
	"bytes"
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"

	"github.com/pb33f/jsonschema/v6"
)

//go:embed schemas/*.json asyncapi.yaml
var files embed.FS

// Document is the AsyncAPI document, as YAML.
func Document() []byte {
	text, _ := files.ReadFile("asyncapi.yaml") // embedded: it is there
	return text
}

// Schemas are the names of the payloads that have a schema.
func Schemas() []string {
	all, _ := fs.Glob(files, "schemas/*.json")
	var names []string
	for _, file := range all {
		if name := strings.TrimSuffix(path.Base(file), ".json"); name != "common" {
			names = append(names, name)
		}
	}
	return names
}

// Schema is the text of a schema, or of the file that they share, "common".
func Schema(name string) ([]byte, error) { return files.ReadFile("schemas/" + name + ".json") }

// Check holds a payload to the schema of this name.
func Check(name string, payload []byte) error {
	all, err := compiled()
	if err != nil {
		return err
	}
	s, ok := all[name]
	if !ok {
		return fmt.Errorf("contract: there is no schema %q", name)
	}
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(payload))
	if err != nil {
		return fmt.Errorf("contract: %s: no JSON: %w", name, err)
	}
	if err := s.Validate(value); err != nil {
		return fmt.Errorf("contract: %s: %w", name, err)
	}
	return nil
}

var compiled = sync.OnceValues(func() (map[string]*jsonschema.Schema, error) {
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	for _, name := range append(Schemas(), "common") {
		text, err := Schema(name)
		if err != nil {
			return nil, err
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			return nil, fmt.Errorf("contract: %s: %w", name, err)
		}
		if err := c.AddResource("contract:///"+name+".json", doc); err != nil {
			return nil, fmt.Errorf("contract: %s: %w", name, err)
		}
	}
	all := map[string]*jsonschema.Schema{}
	for _, name := range Schemas() {
		s, err := c.Compile("contract:///" + name + ".json")
		if err != nil {
			return nil, fmt.Errorf("contract: %s: %w", name, err)
		}
		all[name] = s
	}
	return all, nil
})

// Of names the schema of a topic's payload, by what stands behind the machine's
// name; nothing for availability, which is a word.
func Of(topic string, payload []byte) string {
	first, _, _ := strings.Cut(topic, "/")
	switch first {
	case "availability":
		return ""
	case "alert":
		return "event"
	case "event":
		if bytes.Contains(payload, []byte(`"phase":"gap"`)) {
			return "gap"
		}
	case "do":
		return strings.ReplaceAll(topic, "/", "-")
	}
	return first
}
