package fetch

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"
)

// attempts is how often in a row nothing may come before it is given up.
const attempts = 5

// Get fetches what is called name into a file. What came is kept beside it, in
// path.part as it was sent, with what it is a part of in path.part.tag; so Get goes
// on where an earlier one stopped, unless the machine has something else under that
// name by now. The file is there when it is whole, and not before.
func (c *Client) Get(ctx context.Context, name, path string) error {
	pause := c.Pause
	if pause == 0 {
		pause = time.Second
	}
	part := path + ".part"
	for failed := 0; ; {
		before := size(part)
		err := c.patiently(ctx, name, part)
		if err == nil {
			return finish(part, path)
		}
		var refused *Refused
		if ctx.Err() != nil || errors.As(err, &refused) && refused.Status != http.StatusServiceUnavailable && refused.Status != http.StatusTooManyRequests {
			return err
		}
		if failed++; size(part) > before {
			failed = 1
		}
		if failed == attempts {
			return fmt.Errorf("fetch: %s: %w; what came is kept in %s", name, err, part)
		}
		wait := pause << (failed - 1)
		c.say(fmt.Sprintf("%s: %v; trying again in %s", name, err, wait))
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func size(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

// partOf is what a part is of: the entity tag and the encoding.
type partOf struct{ tag, encoding string }

func readPart(part string) (of partOf) {
	text, err := os.ReadFile(part + ".tag")
	if err == nil {
		of.tag, of.encoding, _ = strings.Cut(strings.TrimSuffix(string(text), "\n"), "\n")
	}
	return of
}

// patiently is an attempt that ends when nothing comes for too long.
func (c *Client) patiently(ctx context.Context, name, part string) error {
	patience := c.Patience
	if patience == 0 {
		patience = 30 * time.Second
	}
	within, cancel := context.WithCancel(ctx)
	defer cancel()
	watch := time.AfterFunc(patience, cancel)
	defer watch.Stop()
	err := c.attempt(within, name, part, &watched{watch: watch, patience: patience})
	if err != nil && within.Err() != nil && ctx.Err() == nil {
		return fmt.Errorf("nothing came for %s", patience)
	}
	return err
}

// attempt fetches what is missing of a part; what comes is read through body.
func (c *Client) attempt(ctx context.Context, name, part string, body *watched) error {
	of, have := readPart(part), size(part)
	headers := map[string]string{"Accept-Encoding": "gzip"}
	if of.tag != "" && have > 0 {
		headers["Range"], headers["If-Range"] = fmt.Sprintf("bytes=%d-", have), of.tag
		if of.encoding == "" {
			headers["Accept-Encoding"] = "identity"
		}
	}
	answer, err := c.ask(ctx, http.MethodGet, "downloads/"+name, nil, headers)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	flags := os.O_CREATE | os.O_WRONLY | os.O_TRUNC
	switch answer.StatusCode {
	case http.StatusOK:
		// First the old part goes: a kill in between must not leave it under the new tag.
		if err := os.Remove(part); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		of = partOf{answer.Header.Get("ETag"), answer.Header.Get("Content-Encoding")}
		if err := os.WriteFile(part+".tag", []byte(of.tag+"\n"+of.encoding+"\n"), 0o600); err != nil {
			return err
		}
	case http.StatusPartialContent:
		if want := fmt.Sprintf("bytes %d-", have); !strings.HasPrefix(answer.Header.Get("Content-Range"), want) || answer.Header.Get("ETag") != of.tag {
			return forget(part, fmt.Errorf("the machine sent another range: %s", answer.Header.Get("Content-Range")))
		}
		c.say(fmt.Sprintf("%s: going on behind %d bytes", name, have))
		flags = os.O_WRONLY | os.O_APPEND
	case http.StatusRequestedRangeNotSatisfiable:
		if answer.Header.Get("Content-Range") == fmt.Sprintf("bytes */%d", have) {
			return nil // it was whole already
		}
		return forget(part, errors.New("what there was is longer than the whole"))
	default:
		return refusal(answer)
	}
	file, err := os.OpenFile(part, flags, 0o600)
	if err != nil {
		return err
	}
	body.r = answer.Body
	_, err = io.Copy(file, body)
	if err2 := file.Close(); err == nil {
		err = err2
	}
	return err
}

// forget drops a part that fits nothing.
func forget(part string, why error) error {
	return errors.Join(why, os.Remove(part), os.Remove(part+".tag"))
}

// watched puts off the end of patience with each read.
type watched struct {
	r        io.Reader
	watch    *time.Timer
	patience time.Duration
}

func (w *watched) Read(b []byte) (int, error) {
	n, err := w.r.Read(b)
	w.watch.Reset(w.patience)
	return n, err
}

// finish makes the file of a part that is whole.
func finish(part, path string) error {
	if readPart(part).encoding == "gzip" {
		if err := unzip(part, part+".plain"); err != nil {
			return forget(part, fmt.Errorf("fetch: %s is damaged: %w", part, err))
		}
		if err := os.Rename(part+".plain", path); err != nil {
			return err
		}
		return errors.Join(os.Remove(part), os.Remove(part+".tag"))
	}
	return errors.Join(os.Rename(part, path), os.Remove(part+".tag"))
}

func unzip(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	z, err := gzip.NewReader(in)
	if err != nil {
		return err
	}
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	if _, err = io.Copy(out, z); err == nil {
		err = out.Sync()
	}
	return errors.Join(err, out.Close())
}
