package contract

import (
	"bytes"
	"encoding/json"
	"os"
	"testing"

	"github.com/pb33f/go-yaml"
	"github.com/pb33f/jsonschema/v6"
)

// described are the schemas of the page's API, which stands by itself in one
// file. Its answers may have more keys than they list; here they may not, so that
// a key that only one of the two documents knows is found.
func described(t *testing.T) func(name string) *jsonschema.Schema {
	t.Helper()
	text, err := os.ReadFile("../phone/openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var root map[string]any
	if err := yaml.Unmarshal(text, &root); err != nil {
		t.Fatal(err)
	}
	var close func(v any)
	close = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				close(e)
			}
		case map[string]any:
			_, lists := v["properties"].(map[string]any)
			if _, says := v["additionalProperties"]; lists && !says {
				v["additionalProperties"] = false
			}
			for _, e := range v {
				close(e)
			}
		}
	}
	close(root["components"].(map[string]any)["schemas"])
	plain, err := json.Marshal(root)
	if err != nil {
		t.Fatal(err)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(plain))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("openapi:///page.json", document); err != nil {
		t.Fatal(err)
	}
	return func(name string) *jsonschema.Schema {
		s, err := c.Compile("openapi:///page.json#/components/schemas/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

func takes(t *testing.T, s *jsonschema.Schema, payload []byte) error {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(payload))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(v)
}

// The page's API and this contract describe the same payloads: both take each as
// it is, and both refuse it spoilt in any one way. The page is sent no alert that
// has ended and no prompt that is closed.
func TestThePageDescribesTheSame(t *testing.T) {
	schema := described(t)
	for _, x := range []struct{ file, page string }{
		{"live", "Live"}, {"message-raised", "Alert"}, {"advice-prompt-opened", "Prompt"}, {"advice-clock-unset", "Prompt"},
		{"advice-verdict", "Verdict"}, {"advice-verdict-own", "Verdict"}, {"advice-check-asked", "Wanted"},
	} {
		t.Run(x.file, func(t *testing.T) {
			payload, err := os.ReadFile("../testdata/" + x.file + ".json")
			if err != nil {
				t.Fatal(err)
			}
			s := schema(x.page)
			if err := takes(t, s, payload); err != nil {
				t.Fatal(err)
			}
			spoil(t, payload, func(what string, changed []byte) {
				if takes(t, s, changed) == nil {
					t.Errorf("the page takes it with %s", what)
				}
			})
		})
	}
	page := map[string]string{"acknowledge": "Acknowledge", "answer": "Answer", "check": "Check", "setup": "Setup"}
	for _, x := range inputs {
		switch err := takes(t, schema(page[x.name]), []byte(x.body)); {
		case x.good && err != nil:
			t.Errorf("%s %s: the page says %v", x.name, x.body, err)
		case !x.good && err == nil:
			t.Errorf("%s %s: the page takes it", x.name, x.body)
		}
	}
}
