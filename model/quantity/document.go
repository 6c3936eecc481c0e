package quantity

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Bounds of a document.
const (
	MaxBytes = 1 << 20 // largest file
	MaxDepth = 32      // deepest nesting
	maxFound = 50      // more diagnostics than this are counted, not kept
)

// Diagnostic is one thing that is wrong in a file. Line and Col count from 1; 0 is unknown.
type Diagnostic struct {
	File      string
	Line, Col int
	Message   string // what is wrong
	Expected  string // what would be right; may be empty
	Hint      string // what was probably meant; may be empty
}

// Error renders file:line:col: message (expected ...; hint: ...).
func (d Diagnostic) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", d.File, d.Line, d.Col, phrase(d.Message, d.Expected, d.Hint))
}

// Diagnostics are all that is wrong in a file, in order of place. It is an error of one line each.
type Diagnostics []Diagnostic

func (d Diagnostics) Error() string {
	lines := make([]string, len(d))
	for i, x := range d {
		lines[i] = x.Error()
	}
	return strings.Join(lines, "\n")
}

// Document is a YAML file that is being read strictly. Readers record what is wrong and go on; Err says it all at the end.
type Document struct {
	file  string
	root  *yaml.Node
	found Diagnostics
	more  int
}

// Read parses data as one YAML document and refuses what strict files may not have: more than 1 MiB or 32 levels, several
// documents, anchors, aliases, merge keys, tags of one's own, duplicate keys. file is only a name for messages. What is wrong shows in Err.
func Read(file string, data []byte) *Document {
	d := &Document{file: file}
	if len(data) > MaxBytes {
		d.add(1, 1, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("at most %d", MaxBytes), "")
		return d
	}
	root, err := parse(data)
	if err != nil {
		d.syntax(err, data)
		return d
	}
	if root == nil {
		d.add(1, 1, "the file is empty", "keys with values", "")
		return d
	}
	if root.Kind == yaml.DocumentNode && len(root.Content) == 1 {
		root = root.Content[0]
	}
	d.vet(root, 0)
	d.root = root
	return d
}

// parse decodes one document into nodes; a second one is an error. A panic of the decoder is reported as an error too: no input may end us.
func parse(data []byte) (root *yaml.Node, err error) {
	defer func() {
		if p := recover(); p != nil {
			root, err = nil, fmt.Errorf("not readable as YAML: %v", p)
		}
	}()
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var first, second yaml.Node
	if err := decoder.Decode(&first); errors.Is(err, io.EOF) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	if err := decoder.Decode(&second); err == nil {
		return nil, fmt.Errorf("line %d: a second document begins (expected one document in a file)", second.Line)
	} else if !errors.Is(err, io.EOF) {
		return nil, err
	}
	return &first, nil
}

var lineOf = regexp.MustCompile(`line (\d+): `)

// syntax turns the decoder's error into a diagnostic.
func (d *Document) syntax(err error, data []byte) {
	text, line := strings.TrimPrefix(err.Error(), "yaml: "), 1
	if m := lineOf.FindStringSubmatchIndex(text); m != nil {
		if n, e := strconv.Atoi(text[m[2]:m[3]]); e == nil {
			line = n
		}
		text = text[:m[0]] + text[m[1]:]
	}
	for _, s := range decoderSays {
		if strings.Contains(text, s.text) {
			d.add(line, 1, s.ours, s.expected, "")
			return
		}
	}
	if strings.Contains(text, "cannot start any token") {
		lines := bytes.Split(data, []byte("\n"))
		if line <= len(lines) && bytes.HasPrefix(bytes.TrimLeft(lines[line-1], " "), []byte("\t")) {
			d.add(line, 1, "a tab indents this line", "blanks", "")
			return
		}
		d.add(line, 1, "a character stands here with which no value begins", "the value in quotes", "")
		return
	}
	d.add(line, 1, text, "", "")
}

// decoderSays is what the decoder says of slips that are often made, which speaks of its own notions, and what is meant by it.
var decoderSays = []struct{ text, ours, expected string }{
	{"UTF-8 octet", "the file is no text", "text in UTF-8"},
	{"control characters are not allowed", "the file is no text", "text in UTF-8"},
	{"expected ',' or '}'", "a { of this line or the next is not closed", "a comma between entries, and } after the last"},
	{"expected ',' or ']'", "a [ of this line or the next is not closed", "a comma between entries, and ] after the last"},
	{"unexpected end of stream", "a quote that opens here is not closed", "the same quote at the end of the text"},
	{"mapping values are not allowed", "a second colon in one line, or an indent that does not fit", "text with a colon in quotes, and keys of one level under each other"},
	{"could not find expected ':'", "a line without a colon, or an indent that does not fit", "key: value, and keys of one level under each other"},
	{"did not find expected key", "a line that is no key: value of the level above it", "keys of one level under each other"},
	{"expected node content", "a value begins here that is none", "a text, a number with its unit, a [list] or a {mapping}"},
	{"expected '-' indicator", "a line that is no entry of the list above it", "a - under the others"},
}

// vet walks the tree once and records what strict files may not have.
func (d *Document) vet(n *yaml.Node, depth int) {
	if depth > MaxDepth {
		d.add(n.Line, n.Column, "nested too deep", fmt.Sprintf("at most %d levels", MaxDepth), "")
		return
	}
	if n.Anchor != "" {
		d.add(n.Line, n.Column, fmt.Sprintf("anchor &%s", clip(n.Anchor)), "the value itself", "anchors and aliases are not read; write the value twice")
	}
	if n.Kind == yaml.AliasNode {
		d.add(n.Line, n.Column, fmt.Sprintf("alias *%s", clip(n.Value)), "the value itself", "anchors and aliases are not read; write the value twice")
		return
	}
	if n.Style&yaml.TaggedStyle != 0 {
		d.add(n.Line, n.Column, fmt.Sprintf("tag %s", clip(n.Tag)), "a plain value", "")
	}
	if n.Kind == yaml.MappingNode {
		seen := make(map[string]int, len(n.Content)/2)
		for i := 0; i+1 < len(n.Content); i += 2 {
			key := n.Content[i]
			switch {
			case key.Kind != yaml.ScalarNode:
				d.add(key.Line, key.Column, "a key that is no word", "a word", "")
			case key.Tag == "!!merge":
				d.add(key.Line, key.Column, "merge key <<", "the keys themselves", "")
			case seen[key.Value] != 0:
				d.add(key.Line, key.Column, fmt.Sprintf("key %q twice", clip(key.Value)), fmt.Sprintf("once, it stands in line %d", seen[key.Value]), "")
			default:
				seen[key.Value] = key.Line
			}
		}
	}
	for _, c := range n.Content {
		d.vet(c, depth+1)
	}
}

func (d *Document) add(line, col int, message, expected, hint string) {
	if len(d.found) >= maxFound {
		d.more++
		return
	}
	d.found = append(d.found, Diagnostic{d.file, line, col, message, expected, hint})
}

// Err returns Diagnostics in order of place, or nil if all is well.
func (d *Document) Err() error {
	if len(d.found) == 0 {
		return nil
	}
	out := append(Diagnostics(nil), d.found...)
	sort.SliceStable(out, func(i, j int) bool {
		return out[i].Line < out[j].Line || out[i].Line == out[j].Line && out[i].Col < out[j].Col
	})
	if d.more > 0 {
		last := out[len(out)-1]
		out = append(out, Diagnostic{d.file, last.Line, last.Col, fmt.Sprintf("and %d more", d.more), "", ""})
	}
	return out
}

// Root is the document's mapping. If there is none that is recorded and the Map is empty.
func (d *Document) Root() *Map {
	if d.root == nil {
		return &Map{doc: d, silent: true}
	}
	return Field{d, d.root, "the file"}.Map()
}

// Field is a value at a place in a document. The zero Field stands for a value that is missing and was reported: its readers
// return zero values and report nothing more.
type Field struct {
	doc  *Document
	node *yaml.Node
	name string
}

// Present reports whether there is a value.
func (f Field) Present() bool { return f.node != nil }

// Name is the key, or the list's key with the index, for messages.
func (f Field) Name() string { return f.name }

// Place returns line and column, 0 if the field is missing.
func (f Field) Place() (line, col int) {
	if f.node == nil {
		return 0, 0
	}
	return f.node.Line, f.node.Column
}

// Fail records that something is wrong with the value. Expected and hint may be empty.
func (f Field) Fail(message, expected, hint string) {
	if f.node != nil {
		f.doc.add(f.node.Line, f.node.Column, message, expected, hint)
	}
}

// FailWith records err; an *Error of this package keeps its parts.
func (f Field) FailWith(err error) {
	var e *Error
	if errors.As(err, &e) {
		f.Fail(f.name+": "+e.Message, e.Expected, e.Hint)
		return
	}
	f.Fail(f.name+": "+err.Error(), "", "")
}

// IsText, IsMap and IsList report the form of the value, so that a reader may offer alternatives.
func (f Field) IsText() bool {
	return f.node != nil && f.node.Kind == yaml.ScalarNode && f.node.Tag != "!!null"
}

// IsMap reports whether the value is a mapping.
func (f Field) IsMap() bool { return f.node != nil && f.node.Kind == yaml.MappingNode }

// IsList reports whether the value is a list.
func (f Field) IsList() bool { return f.node != nil && f.node.Kind == yaml.SequenceNode }

// form words what the value is, for messages.
func (f Field) form() string {
	switch {
	case f.IsMap():
		return "a mapping"
	case f.IsList():
		return "a list"
	case f.node != nil && f.node.Kind == yaml.ScalarNode && f.node.Tag == "!!null":
		return "empty"
	}
	return strconv.Quote(clip(f.node.Value))
}

// scalar returns the text of a scalar or records that it is none.
func (f Field) scalar(expected string) (string, bool) {
	if f.node == nil {
		return "", false
	}
	if !f.IsText() {
		f.Fail(fmt.Sprintf("%s is %s", f.name, f.form()), expected, "")
		return "", false
	}
	return f.node.Value, true
}

// Text reads any scalar as it is written.
func (f Field) Text() string {
	s, _ := f.scalar("a text")
	return s
}

// Word reads one of the words.
func (f Field) Word(words ...string) string {
	s, ok := f.scalar("one of " + strings.Join(words, ", "))
	if !ok {
		return ""
	}
	for _, w := range words {
		if s == w {
			return s
		}
	}
	hint := ""
	if near := Nearest(s, words); near != "" {
		hint = near + "?"
	}
	f.Fail(fmt.Sprintf("%s: unknown word %q", f.name, clip(s)), "one of "+strings.Join(words, ", "), hint)
	return ""
}

// Bool reads true or false.
func (f Field) Bool() bool {
	s, ok := f.scalar("true or false")
	if ok && s != "true" && s != "false" {
		f.Fail(fmt.Sprintf("%s is %q", f.name, clip(s)), "true or false", "")
	}
	return s == "true"
}

// Int reads a whole decimal number from low to high.
func (f Field) Int(low, high int64) int64 {
	expected := fmt.Sprintf("a whole number from %d to %d", low, high)
	s, ok := f.scalar(expected)
	if !ok {
		return 0
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < low || n > high {
		f.Fail(fmt.Sprintf("%s is %q", f.name, clip(s)), expected, "")
		return 0
	}
	return n
}

// Number reads a plain decimal number without unit in the range.
func (f Field) Number(r Range) float64 {
	s, ok := f.scalar("a number")
	if !ok {
		return 0
	}
	if numberLength(s) != len(s) || s == "" {
		f.Fail(fmt.Sprintf("%s is %q", f.name, clip(s)), "a number without unit", "")
		return 0
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !r.Holds(x) {
		f.Fail(fmt.Sprintf("%s: %s is out of range", f.name, clip(s)), strings.ReplaceAll(r.describe(Ratio), " x", ""), "")
		return 0
	}
	return x
}

// Quantity reads a quantity of the kind in the range and returns its SI number, 0 if it was refused.
func (f Field) Quantity(k Kind, r Range) float64 {
	v, ok := f.Value(k)
	if !ok {
		return 0
	}
	if err := r.Check(v); err != nil {
		f.FailWith(err)
		return 0
	}
	return v.SI
}

// Value reads a quantity of one of the kinds; ok is false if it was refused. Use it where relative and absolute quantities are both
// right, then check the range with [Range.Check] and FailWith.
func (f Field) Value(kinds ...Kind) (v Value, ok bool) {
	s, is := f.scalar("a quantity, " + examples(kinds))
	if !is {
		return Value{}, false
	}
	v, err := Parse(s, kinds...)
	if err != nil {
		f.FailWith(err)
		return Value{}, false
	}
	return v, true
}

// WordOrValue reads one of the words, or a quantity of one of the kinds: text that begins like a number is a quantity.
func (f Field) WordOrValue(words []string, kinds ...Kind) (word string, v Value, ok bool) {
	s, is := f.scalar("one of " + strings.Join(words, ", ") + ", or a quantity, " + examples(kinds))
	if !is {
		return "", Value{}, false
	}
	if numberLength(strings.TrimSpace(s)) > 0 {
		v, ok = f.Value(kinds...)
		return "", v, ok
	}
	word = f.Word(words...)
	return word, Value{}, word != ""
}

// Nanoseconds reads a time in the range [s] as int64 ns.
func (f Field) Nanoseconds(r Range) int64 {
	v, ok := f.Value(Time)
	if !ok {
		return 0
	}
	err := r.Check(v)
	ns := int64(0)
	if err == nil {
		ns, err = v.Nanoseconds()
	}
	if err != nil {
		f.FailWith(err)
	}
	return ns
}

// Map reads a mapping. If the value is none that is recorded and the Map is empty.
func (f Field) Map() *Map {
	m := &Map{doc: f.doc, name: f.name, node: f.node, silent: f.node == nil}
	if f.node == nil {
		return m
	}
	if !f.IsMap() {
		f.Fail(fmt.Sprintf("%s is %s", f.name, f.form()), "keys with values", "")
		m.silent = true
		return m
	}
	for i := 0; i+1 < len(f.node.Content); i += 2 {
		if key := f.node.Content[i]; key.Kind == yaml.ScalarNode && !m.Has(key.Value) {
			m.keys = append(m.keys, entry{key, f.node.Content[i+1], false})
		}
	}
	return m
}

// List reads a list. If the value is none that is recorded and the list is empty.
func (f Field) List() []Field {
	if f.node == nil {
		return nil
	}
	if !f.IsList() {
		f.Fail(fmt.Sprintf("%s is %s", f.name, f.form()), "a list", "")
		return nil
	}
	out := make([]Field, len(f.node.Content))
	for i, n := range f.node.Content {
		out[i] = Field{f.doc, n, fmt.Sprintf("%s[%d]", f.name, i+1)}
	}
	return out
}

// Words reads a list of words, or a single word as a list of one, each one of the allowed; any word if none are given.
func (f Field) Words(allowed ...string) []string {
	fields := []Field{f}
	if !f.IsText() {
		fields = f.List()
	}
	var out []string
	for _, x := range fields {
		w := ""
		if len(allowed) == 0 {
			w = x.Text()
		} else {
			w = x.Word(allowed...)
		}
		if w != "" {
			out = append(out, w)
		}
	}
	return out
}

// entry is one key of a Map.
type entry struct {
	key, value *yaml.Node
	asked      bool
}

// Map is a mapping that is being read: every key must be asked for before Done.
//
//	m := quantity.Read(file, data).Root()
//	shunt := m.Quantity("shunt", quantity.Resistance, quantity.Positive())
//	if every, ok := m.Find("every"); ok { ... every.Nanoseconds(...) }
//	m.Done()
//	err := doc.Err()
type Map struct {
	doc    *Document
	name   string
	node   *yaml.Node
	keys   []entry
	known  []string
	silent bool // it was reported that this is no mapping: do not report its keys as missing too
}

// Keys lists the keys as they are written, for mappings whose keys are names.
func (m *Map) Keys() []string {
	var out []string
	for _, e := range m.keys {
		out = append(out, e.key.Value)
	}
	return out
}

// Find returns the field of an optional key.
func (m *Map) Find(key string) (Field, bool) {
	m.known = append(m.known, key)
	for i := range m.keys {
		if m.keys[i].key.Value == key {
			m.keys[i].asked = true
			return Field{m.doc, m.keys[i].value, key}, true
		}
	}
	return Field{doc: m.doc, name: key}, false
}

// Has reports whether the key is there, without reading it.
func (m *Map) Has(key string) bool {
	for i := range m.keys {
		if m.keys[i].key.Value == key {
			return true
		}
	}
	return false
}

// Get returns the field of a key that must be there; if it is not, that is recorded.
func (m *Map) Get(key string) Field {
	f, ok := m.Find(key)
	if !ok && !m.silent {
		m.fail(fmt.Sprintf("%q is missing in %s", key, m.title()), key, "")
	}
	return f
}

// Fail records that something is wrong with the value of key, or with the mapping if the key is not there.
func (m *Map) Fail(key, message, expected, hint string) {
	for i := range m.keys {
		if m.keys[i].key.Value == key {
			m.doc.add(m.keys[i].value.Line, m.keys[i].value.Column, message, expected, hint)
			return
		}
	}
	m.fail(message, expected, hint)
}

func (m *Map) fail(message, expected, hint string) {
	line, col := 1, 1
	if m.node != nil {
		line, col = m.node.Line, m.node.Column
	}
	m.doc.add(line, col, message, expected, hint)
}

func (m *Map) title() string {
	if m.name == "" {
		return "the file"
	}
	return m.name
}

// Text reads the text of a key that must be there.
func (m *Map) Text(key string) string { return m.Get(key).Text() }

// Word reads one of the words under a key that must be there.
func (m *Map) Word(key string, words ...string) string { return m.Get(key).Word(words...) }

// Words reads a list of words under a key that may be missing.
func (m *Map) Words(key string, allowed ...string) []string {
	if f, ok := m.Find(key); ok {
		return f.Words(allowed...)
	}
	return nil
}

// Int reads a whole number under a key that must be there.
func (m *Map) Int(key string, low, high int64) int64 { return m.Get(key).Int(low, high) }

// IntOr reads a whole number, or returns def if the key is missing.
func (m *Map) IntOr(key string, low, high, def int64) int64 {
	if f, ok := m.Find(key); ok {
		return f.Int(low, high)
	}
	return def
}

// Bool reads true or false; a missing key is false.
func (m *Map) Bool(key string) bool {
	f, ok := m.Find(key)
	return ok && f.Bool()
}

// TextOr reads a text, or returns def if the key is missing.
func (m *Map) TextOr(key, def string) string {
	if f, ok := m.Find(key); ok {
		return f.Text()
	}
	return def
}

// Quantity reads a quantity [SI] under a key that must be there.
func (m *Map) Quantity(key string, k Kind, r Range) float64 { return m.Get(key).Quantity(k, r) }

// QuantityOr reads a quantity [SI], or returns def if the key is missing.
func (m *Map) QuantityOr(key string, k Kind, r Range, def float64) float64 {
	if f, ok := m.Find(key); ok {
		return f.Quantity(k, r)
	}
	return def
}

// NanosecondsOr reads a time as int64 ns, or returns def if the key is missing.
func (m *Map) NanosecondsOr(key string, r Range, def int64) int64 {
	if f, ok := m.Find(key); ok {
		return f.Nanoseconds(r)
	}
	return def
}

// Map reads a mapping under a key that may be missing; the Map is then empty.
func (m *Map) Map(key string) (*Map, bool) {
	f, ok := m.Find(key)
	return f.Map(), ok
}

// List reads a list under a key that may be missing.
func (m *Map) List(key string) []Field {
	f, _ := m.Find(key)
	return f.List()
}

// Done records each key that nobody asked for, with the nearest known key as a hint.
func (m *Map) Done() {
	for _, e := range m.keys {
		if e.asked || e.key.Tag == "!!merge" {
			continue
		}
		hint := ""
		if near := Nearest(e.key.Value, m.known); near != "" {
			hint = near + "?"
		}
		known := slices.Compact(slices.Sorted(slices.Values(m.known))) // a key may be asked for twice
		expected := "one of " + strings.Join(known, ", ")
		if len(known) == 0 {
			expected = "no keys"
		}
		m.doc.add(e.key.Line, e.key.Column, fmt.Sprintf("unknown key %q in %s", clip(e.key.Value), m.title()), expected, hint)
	}
}
