package page

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"stuntcell/model/quantity"
)

// Bounds of a query. A view's state is a few words; what is longer was not written by the page.
const (
	longestQuery = 8 << 10
	longestValue = 200
	mostValues   = 200 // of a key that may stand several times
)

// query reads the state of a view from an address or a form. All that is wrong is collected by field, so that a form can show it where it
// was entered.
type query struct {
	values url.Values
	asked  []string
	wrong  mistakes
}

// mistakes say what is wrong with the fields of a form. What belongs to none has the empty name.
type mistakes map[string]string

// add keeps the first that is said of a field.
func (w mistakes) add(field, format string, args ...any) {
	if _, said := w[field]; !said {
		w[field] = fmt.Sprintf(format, args...)
	}
}

// readQuery takes a query apart.
func readQuery(raw string) *query {
	q := &query{wrong: mistakes{}}
	if len(raw) > longestQuery {
		q.wrong.add("", "the address has %d bytes: expected at most %d", len(raw), longestQuery)
		return q
	}
	values, err := url.ParseQuery(raw)
	if err != nil {
		q.wrong.add("", "the address cannot be read: %v", err)
		return q
	}
	q.values = values
	return q
}

// text reads a key that stands once; def stands for one that is missing or empty.
func (q *query) text(key, def string) string {
	q.asked = append(q.asked, key)
	all := q.values[key]
	if len(all) == 0 {
		return def
	}
	if len(all) > 1 {
		q.wrong.add(key, "%s stands %d times: expected once", key, len(all))
		return def
	}
	v, ok := q.clean(key, all[0])
	if !ok || v == "" {
		return def
	}
	return v
}

// many reads a key that may stand several times; each value counts once.
func (q *query) many(key string) []string {
	q.asked = append(q.asked, key)
	all := q.values[key]
	if len(all) > mostValues {
		q.wrong.add(key, "%s stands %d times: expected at most %d", key, len(all), mostValues)
		return nil
	}
	var out []string
	for _, v := range all {
		if v, ok := q.clean(key, v); ok && v != "" && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// word reads a key that is one of the words; the first stands for a missing one.
func (q *query) word(key string, words ...string) string {
	v := q.text(key, words[0])
	if !slices.Contains(words, v) {
		q.wrong.add(key, "%s is %q: expected %s", key, v, strings.Join(words, ", "))
		return words[0]
	}
	return v
}

// clean refuses what nobody types into a field.
func (q *query) clean(key, v string) (string, bool) {
	v = strings.TrimSpace(v)
	switch {
	case len(v) > longestValue:
		q.wrong.add(key, "%d bytes: expected at most %d", len(v), longestValue)
	case !utf8.ValidString(v):
		q.wrong.add(key, "this is no text (expected UTF-8)")
	case strings.ContainsFunc(v, func(r rune) bool { return !unicode.IsPrint(r) }):
		q.wrong.add(key, "this holds characters that cannot be shown")
	default:
		return v, true
	}
	return "", false
}

// done says of each key that nobody asked for that it is unknown, and returns all that is wrong.
func (q *query) done() mistakes {
	for key := range q.values {
		if slices.Contains(q.asked, key) {
			continue
		}
		hint := ""
		if near := quantity.Nearest(key, q.asked); near != "" {
			hint = " (" + near + "?)"
		}
		q.wrong.add("", "the address has an unknown part %.40q%s", key, hint)
	}
	return q.wrong
}

// quantityOf reads a field as a quantity with its unit [SI]; an empty one is 0.
func (w mistakes) quantityOf(field, text string, k quantity.Kind, r quantity.Range) float64 {
	if text == "" {
		return 0
	}
	v, err := quantity.Parse(text, k)
	if err == nil {
		err = r.Check(v)
	}
	if err != nil {
		w.add(field, "%v", err)
		return 0
	}
	return v.SI
}

// address writes a path with a query of the pairs whose value is not empty, in order of the keys.
func address(path string, v url.Values) string {
	if len(v) == 0 {
		return path
	}
	return path + "?" + v.Encode()
}

// set puts a value that is not empty.
func set(v url.Values, key, value string) {
	if value != "" {
		v.Set(key, value)
	}
}

// shellWord quotes a word for a POSIX shell if it needs it.
func shellWord(s string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_./%+:=@,", r)
	}
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// commandLine joins words to a line that a shell takes.
func commandLine(words ...string) string {
	var b strings.Builder
	for i, w := range words {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(shellWord(w))
	}
	return b.String()
}
