package calc

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"
)

// decode reads exactly one JSON object into the struct that v points to, following the struct's json tags to the
// letter. Every field must be there unless it is a pointer or tagged omitempty; null counts as left out. Unknown
// fields, fields given twice, wrong types and numbers that are not finite are named by their path. encoding/json alone
// takes names in any case, keeps the last of two, and names no path.
func decode(raw []byte, v any) error {
	if !utf8.Valid(raw) {
		return &Problem{Title: "The input is not JSON", Detail: "The input is not UTF-8 text; save it as UTF-8 and send it again."}
	}
	d := decoder{dec: json.NewDecoder(bytes.NewReader(raw))}
	d.dec.UseNumber()
	err := d.value("", reflect.ValueOf(v).Elem())
	if err == nil {
		if _, more := d.dec.Token(); more != io.EOF {
			return &Problem{Title: "The input is not JSON", Detail: fmt.Sprintf("Something follows the object at byte %d; send one object alone.", d.dec.InputOffset())}
		}
		return d.wrong.problem()
	}
	p := &Problem{Title: "The input is not JSON", Detail: fmt.Sprintf("The input cannot be read at byte %d: %v.", d.dec.InputOffset(), err)}
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		p.Detail = "The input ends too early; send one whole JSON object."
	}
	if d.at != "" {
		p.Errors = []FieldError{{d.at, "cannot be read as JSON; NaN and Infinity are no numbers"}}
	}
	return p
}

type decoder struct {
	dec   *json.Decoder
	wrong fields
	at    string // the field being read, for a syntax error
}

// value reads the next value into v. Errors of syntax end the reading, errors of content are gathered.
func (d *decoder) value(path string, v reflect.Value) error {
	d.at = path
	token, err := d.dec.Token()
	if err != nil {
		return err
	}
	return d.from(token, path, v)
}

func (d *decoder) from(token json.Token, path string, v reflect.Value) error {
	if v.Kind() == reflect.Pointer {
		if token == nil {
			return nil
		}
		v.Set(reflect.New(v.Type().Elem()))
		return d.from(token, path, v.Elem())
	}
	switch v.Kind() {
	case reflect.Struct:
		if token == json.Delim('{') {
			return d.object(path, v)
		}
		return d.refuse(token, path, "an object")
	case reflect.Map:
		if token == json.Delim('{') {
			return d.table(path, v)
		}
		return d.refuse(token, path, "an object")
	case reflect.Slice:
		if token == json.Delim('[') {
			return d.list(path, v)
		}
		return d.refuse(token, path, "a list")
	case reflect.String:
		if s, ok := token.(string); ok {
			v.SetString(s)
			return nil
		}
		return d.refuse(token, path, "text in quotes")
	case reflect.Bool:
		if b, ok := token.(bool); ok {
			v.SetBool(b)
			return nil
		}
		return d.refuse(token, path, "true or false")
	case reflect.Float64:
		if n, ok := token.(json.Number); ok {
			f, err := strconv.ParseFloat(n.String(), 64)
			if err != nil || math.IsInf(f, 0) {
				d.wrong.add(path, "is too large a number")
			}
			v.SetFloat(f)
			return nil
		}
		return d.refuse(token, path, "a number")
	case reflect.Int:
		if n, ok := token.(json.Number); ok {
			i, err := strconv.Atoi(n.String())
			if err != nil {
				d.wrong.add(path, "must be a whole number")
			}
			v.SetInt(int64(i))
			return nil
		}
		return d.refuse(token, path, "a whole number")
	}
	return fmt.Errorf("calc: no way to read %s", v.Type())
}

func (d *decoder) object(path string, v reflect.Value) error {
	t := v.Type()
	seen := make([]bool, t.NumField())
	for d.dec.More() {
		name, err := d.name(path)
		if err != nil {
			return err
		}
		field := join(path, name)
		i := fieldNamed(t, name)
		if i < 0 {
			d.wrong.add(field, "is not a field of this calculator; use %s", fieldNames(t))
			if err := d.skip(field); err != nil {
				return err
			}
			continue
		}
		if seen[i] {
			d.wrong.add(field, "is given twice; keep one")
		}
		seen[i] = true
		d.at = field
		token, err := d.dec.Token()
		if err != nil {
			return err
		}
		if token == nil {
			seen[i] = false // null counts as left out
			continue
		}
		if err := d.from(token, field, v.Field(i)); err != nil {
			return err
		}
	}
	for i, there := range seen {
		name, options, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		if !there && t.Field(i).Type.Kind() != reflect.Pointer && options != "omitempty" {
			d.wrong.add(join(path, name), "is missing; enter it")
		}
	}
	return d.end(path)
}

func (d *decoder) table(path string, v reflect.Value) error {
	v.Set(reflect.MakeMap(v.Type()))
	for d.dec.More() {
		name, err := d.name(path)
		if err != nil {
			return err
		}
		key := reflect.ValueOf(name)
		if v.MapIndex(key).IsValid() {
			d.wrong.add(join(path, name), "is given twice; keep one")
		}
		value := reflect.New(v.Type().Elem()).Elem()
		if err := d.value(join(path, name), value); err != nil {
			return err
		}
		v.SetMapIndex(key, value)
	}
	return d.end(path)
}

func (d *decoder) list(path string, v reflect.Value) error {
	v.Set(reflect.MakeSlice(v.Type(), 0, 8))
	for i := 0; d.dec.More(); i++ {
		item := reflect.New(v.Type().Elem()).Elem()
		if err := d.value(fmt.Sprintf("%s[%d]", path, i), item); err != nil {
			return err
		}
		v.Set(reflect.Append(v, item))
	}
	return d.end(path)
}

// name reads the name of the next field.
func (d *decoder) name(path string) (string, error) {
	d.at = path
	token, err := d.dec.Token()
	if err != nil {
		return "", err
	}
	name, _ := token.(string) // inside an object the decoder gives nothing else
	return name, nil
}

// end reads the bracket that closes an object or a list.
func (d *decoder) end(path string) error {
	d.at = path
	_, err := d.dec.Token()
	return err
}

// skip reads over a value that has no place.
func (d *decoder) skip(path string) error {
	d.at = path
	for depth := 0; ; {
		token, err := d.dec.Token()
		if err != nil {
			return err
		}
		switch token {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
		if depth == 0 {
			return nil
		}
	}
}

// refuse notes a value of the wrong kind and reads over it.
func (d *decoder) refuse(token json.Token, path, want string) error {
	if path == "" {
		d.wrong.add("", "the input must be %s", want)
	} else {
		d.wrong.add(path, "must be %s", want)
	}
	for depth := 0; ; {
		switch token {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
		if depth == 0 {
			return nil
		}
		var err error
		if token, err = d.dec.Token(); err != nil {
			return err
		}
	}
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func fieldNamed(t reflect.Type, name string) int {
	for i := range t.NumField() {
		if tag, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ","); tag == name {
			return i
		}
	}
	return -1
}

func fieldNames(t reflect.Type) string {
	names := make([]string, t.NumField())
	for i := range names {
		names[i], _, _ = strings.Cut(t.Field(i).Tag.Get("json"), ",")
	}
	return strings.Join(names, ", ")
}
