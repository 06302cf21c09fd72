package formula

import (
	"bytes"
	"slices"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// The encodings that a file can be in, by the words of the preview.
const (
	encodingUTF8    = "UTF-8"
	encodingUTF8BOM = "UTF-8 with byte order mark"
	encodingUTF16LE = "UTF-16 little endian"
	encodingUTF16BE = "UTF-16 big endian"
	encodingWindows = "Windows-1252"
)

// undefinedInWindows are the bytes that mean nothing in Windows-1252
// (www.unicode.org/Public/MAPPINGS/VENDORS/MICSFT/WINDOWS/CP1252.TXT).
var undefinedInWindows = []byte{0x81, 0x8d, 0x8f, 0x90, 0x9d}

// decode returns the text of a file and the encoding it was found to be in: by its byte order mark;
// else UTF-16 where the first two characters, those of our own Latin column names, have a zero byte each;
// else UTF-8 where it is valid; else Windows-1252. The last is a guess and the preview says so.
func decode(file []byte) (text, encoding string, problem *Problem) {
	refuse := func(detail string) (string, string, *Problem) {
		return "", encoding, &Problem{Field: "file", Detail: detail}
	}
	switch {
	case bytes.HasPrefix(file, []byte{0xef, 0xbb, 0xbf}):
		encoding, file = encodingUTF8BOM, file[3:]
		if !utf8.Valid(file) {
			return refuse("the file says that it is UTF-8, but holds bytes that are not. Save it again as UTF-8.")
		}
		return string(file), encoding, nil
	case bytes.HasPrefix(file, []byte{0xff, 0xfe}) || len(file) >= 4 && file[0] != 0 && file[1] == 0 && file[2] != 0 && file[3] == 0:
		encoding = encodingUTF16LE
	case bytes.HasPrefix(file, []byte{0xfe, 0xff}) || len(file) >= 4 && file[0] == 0 && file[1] != 0 && file[2] == 0 && file[3] != 0:
		encoding = encodingUTF16BE
	case bytes.IndexByte(file, 0) >= 0:
		return refuse("this is not a text file. Save the table as CSV and try again.")
	case utf8.Valid(file):
		return string(file), encodingUTF8, nil
	default:
		encoding = encodingWindows
		for i, b := range file {
			if b >= 0x80 && slices.Contains(undefinedInWindows, b) {
				line := 1 + bytes.Count(file[:i], []byte{'\n'})
				_, _, p := refuse("the encoding of the file cannot be told. Save it again as UTF-8.")
				p.Line = line
				return "", "", p
			}
		}
		decoded, err := charmap.Windows1252.NewDecoder().Bytes(file)
		if err != nil {
			return refuse("the encoding of the file cannot be told. Save it again as UTF-8.")
		}
		return string(decoded), encoding, nil
	}
	if len(file)%2 != 0 {
		return refuse("the file ends in the middle of a character. Copy or save it again.")
	}
	order := unicode.LittleEndian
	if encoding == encodingUTF16BE {
		order = unicode.BigEndian
	}
	decoded, err := unicode.UTF16(order, unicode.UseBOM).NewDecoder().Bytes(file)
	if err != nil {
		return refuse("the file is not the UTF-16 that it seems to be. Save it again as UTF-8.")
	}
	return string(decoded), encoding, nil
}
