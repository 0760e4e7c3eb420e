package phone

import (
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	faults "github.com/pb33f/libopenapi-validator/errors"
	"github.com/pb33f/libopenapi-validator/schema_validation"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"
)

// description is openapi.yaml as a validator that we did not write reads it:
// libopenapi with JSON Schema 2020-12. Its strict mode finds fields that the
// document does not list.
type description struct {
	check   validator.Validator
	schemas schema_validation.SchemaValidator
	model   *v3.Document
	err     error
}

var documented = sync.OnceValue(func() description {
	text, err := os.ReadFile("openapi.yaml")
	if err != nil {
		return description{err: err}
	}
	document, err := libopenapi.NewDocument(text)
	if err != nil {
		return description{err: err}
	}
	model, err := document.BuildV3Model()
	if err != nil {
		return description{err: err}
	}
	every := http.Header{} // headers that every answer has
	guard(every)
	options := []config.Option{config.WithStrictIgnoredHeadersExtra(slices.Collect(maps.Keys(every))...), config.WithFormatAssertions(), config.WithStrictMode(), config.WithoutSecurityValidation()}
	check, wrong := validator.NewValidator(document, options...)
	if len(wrong) > 0 {
		return description{err: fmt.Errorf("%v", wrong)}
	}
	return description{check: check, schemas: schema_validation.NewSchemaValidator(options...), model: &model.Model}
})

func explain(all []*faults.ValidationError) string {
	var b strings.Builder
	for _, e := range all {
		fmt.Fprintf(&b, "%s: %s\n", e.Message, e.Reason)
		for _, s := range e.SchemaValidationErrors {
			fmt.Fprintf(&b, "  %s: %s\n", s.FieldPath, s.Reason)
		}
	}
	return b.String()
}

// described holds an answer to the document. Those of paths that the document
// does not list must be refusals.
func described(t testing.TB, q *http.Request, answer *http.Response, body string) {
	t.Helper()
	d := documented()
	if d.err != nil {
		t.Fatal(d.err)
	}
	known := false
	for _, r := range routes {
		like := r.path
		if name, ok := strings.CutPrefix(q.URL.Path, api+"downloads/"); ok && r.path == download && name != "" && !strings.Contains(name, "/") && name != "{name}" {
			like = q.URL.Path
		}
		known = known || like == q.URL.Path && r.method == q.Method
	}
	if !known {
		if answer.StatusCode >= 400 {
			errorOf(t, body)
		}
		return
	}
	if q.URL.Path == api+"stream" && answer.StatusCode == http.StatusOK {
		return // its events are held to the document one by one
	}
	copied := *answer
	copied.Body = io.NopCloser(strings.NewReader(body))
	if ok, wrong := d.check.ValidateHttpResponse(q, &copied); !ok {
		t.Errorf("%s %s answers %d with\n%s\nwhich is not as described:\n%s", q.Method, q.URL, answer.StatusCode, body, explain(wrong))
	}
}

// fits holds a value to a schema of the document.
func fits(t testing.TB, schema, value string) {
	t.Helper()
	d := documented()
	if d.err != nil {
		t.Fatal(d.err)
	}
	proxy, ok := d.model.Components.Schemas.Get(schema)
	if !ok {
		t.Fatalf("there is no schema %s", schema)
	}
	built, err := proxy.BuildSchema()
	if err != nil {
		t.Fatal(err)
	}
	if ok, wrong := d.schemas.ValidateSchemaStringWithVersion(built, value, 3.1); !ok {
		t.Errorf("%s is not as described for %s:\n%s", value, schema, explain(wrong))
	}
}

func TestTheDocumentIsOpenAPI(t *testing.T) {
	d := documented()
	if d.err != nil {
		t.Fatal(d.err)
	}
	if ok, wrong := d.check.ValidateDocument(); !ok {
		t.Error(explain(wrong))
	}
}

// The document lists what the server serves and nothing else, with the roles.
func TestTheDocumentListsTheRoutes(t *testing.T) {
	var listed, served []string
	d := documented()
	if d.err != nil {
		t.Fatal(d.err)
	}
	for path, item := range d.model.Paths.PathItems.FromOldest() {
		for method, op := range item.GetOperations().FromOldest() {
			role := "none"
			for r := Look; r < roleCount; r++ {
				if strings.HasPrefix(op.Description, "For the role "+r.String()+" ") {
					role = r.String()
				}
			}
			if public := op.Security != nil && len(op.Security) == 0; public != (role == "none") {
				t.Errorf("%s %s: security and role do not agree", method, path)
			}
			listed = append(listed, strings.ToUpper(method)+" "+path+" "+role)
		}
	}
	for _, r := range routes {
		served = append(served, r.method+" "+r.path+" "+r.role.String())
	}
	slices.Sort(listed)
	slices.Sort(served)
	if !slices.Equal(listed, served) {
		t.Errorf("listed\n%s\nserved\n%s", strings.Join(listed, "\n"), strings.Join(served, "\n"))
	}
}

// The check must be able to fail.
func TestTheDocumentCatches(t *testing.T) {
	d := documented()
	if d.err != nil {
		t.Fatal(d.err)
	}
	for _, c := range []struct{ name, body string }{
		{"a field is missing", `{"role":"look","machine":"m","version":"v","units":"metric","crop":"wheat","paired":true}`},
		{"a field is not listed", `{"role":"look","machine":"m","version":"v","units":"metric","crop":"wheat","paired":true,"name":"n","token":"x"}`},
		{"a word is not one", `{"role":"owner","machine":"m","version":"v","units":"metric","crop":"wheat","paired":true,"name":"n"}`},
	} {
		q := request("GET", api+"me", nil, "")
		answer := &http.Response{StatusCode: 200, Header: http.Header{"Content-Type": {"application/json"}}, Body: io.NopCloser(strings.NewReader(c.body))}
		if ok, _ := d.check.ValidateHttpResponse(q, answer); ok {
			t.Errorf("%s: passed", c.name)
		}
	}
}
