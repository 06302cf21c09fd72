package web

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	_ "image/png" // a photograph may be one
	"io"
	"net/http"
	"sync"

	"pourbook/internal/store"
)

const (
	photoEdge   = 2000     // pixels of the long edge as it is kept
	photoPixels = 26 << 20 // the most that is unpacked: larger ones hold more memory than a shop's machine may have
	photoGood   = 85       // JPEG quality
)

// photoSurround is what shows through a PNG: L* 71, as under every swatch.
var photoSurround = color.Gray{Y: 0xae}

// oneAtATime keeps several large photographs from being unpacked at once.
var oneAtATime sync.Mutex

// sentPhoto returns the photograph of a form made ready to keep, nil where none was chosen. The sentence says what
// is wrong with it; err is a failure of the request itself.
func sentPhoto(r *http.Request) (data []byte, sentence string, err error) {
	file, head, err := r.FormFile("photo")
	if errors.Is(err, http.ErrMissingFile) || errors.Is(err, http.ErrNotMultipart) {
		return nil, "", nil
	}
	if err != nil {
		return nil, "", unreadable(err)
	}
	defer file.Close()
	if head.Size == 0 && head.Filename == "" {
		return nil, "", nil
	}
	if head.Size > store.PhotoMost {
		return nil, fmt.Sprintf("The photo has %.1f MB; the most is 8 MB. Choose a smaller size in the camera.", float64(head.Size)/(1<<20)), nil
	}
	raw, err := io.ReadAll(io.LimitReader(file, store.PhotoMost+1))
	if err != nil {
		return nil, "", unreadable(err)
	}
	data, sentence = keepable(raw)
	return data, sentence, nil
}

// keepable unpacks a JPEG or PNG and packs it anew, upright and no larger than is of use. What else the file held,
// where it was taken for one, is gone.
func keepable(raw []byte) (data []byte, sentence string) {
	const notAPhoto = "That is no photo that can be read here. Choose a JPEG or PNG."
	if len(raw) == 0 {
		return nil, "The photo is empty. Take it again."
	}
	size, kind, err := image.DecodeConfig(bytes.NewReader(raw))
	if err != nil || kind != "jpeg" && kind != "png" {
		return nil, notAPhoto
	}
	if size.Width <= 0 || size.Height <= 0 || size.Width > photoPixels/size.Height {
		return nil, fmt.Sprintf("The photo has %d × %d points; the most is 26 million. Choose a smaller size in the camera.", size.Width, size.Height)
	}
	oneAtATime.Lock()
	defer oneAtATime.Unlock()
	picture, _, err := image.Decode(bytes.NewReader(raw))
	if err != nil {
		return nil, "The photo is damaged: it ends or breaks off in the middle. Send it again or take another."
	}
	turn := 1
	if kind == "jpeg" {
		turn = orientation(raw)
	}
	var packed bytes.Buffer
	if err := jpeg.Encode(&packed, upright(reduced(picture), turn), &jpeg.Options{Quality: photoGood}); err != nil {
		return nil, notAPhoto
	}
	return packed.Bytes(), ""
}

// reduced returns a picture whose long edge is at most photoEdge. Each point is the mean of those it stands for.
func reduced(picture image.Image) *image.RGBA {
	from := picture.Bounds()
	full := image.NewRGBA(image.Rect(0, 0, from.Dx(), from.Dy()))
	draw.Draw(full, full.Rect, image.NewUniform(photoSurround), image.Point{}, draw.Src)
	draw.Draw(full, full.Rect, picture, from.Min, draw.Over)
	w, h := from.Dx(), from.Dy()
	long := max(w, h)
	if long <= photoEdge {
		return full
	}
	small := image.NewRGBA(image.Rect(0, 0, max(1, w*photoEdge/long), max(1, h*photoEdge/long)))
	for y := range small.Rect.Dy() {
		top, bottom := y*h/small.Rect.Dy(), (y+1)*h/small.Rect.Dy()
		for x := range small.Rect.Dx() {
			left, right := x*w/small.Rect.Dx(), (x+1)*w/small.Rect.Dx()
			var sum [3]int
			for row := top; row < bottom; row++ {
				points := full.Pix[row*full.Stride+left*4 : row*full.Stride+right*4]
				for i := 0; i < len(points); i += 4 {
					sum[0] += int(points[i])
					sum[1] += int(points[i+1])
					sum[2] += int(points[i+2])
				}
			}
			n := (bottom - top) * (right - left)
			at := small.Pix[y*small.Stride+x*4:]
			at[0], at[1], at[2], at[3] = uint8((sum[0]+n/2)/n), uint8((sum[1]+n/2)/n), uint8((sum[2]+n/2)/n), 255
		}
	}
	return small
}

// upright turns a picture as its orientation asks (Exif 2.32, tag 0x0112): 1 is upright, 2 to 8 are mirrored or turned.
func upright(p *image.RGBA, turn int) *image.RGBA {
	if turn < 2 || turn > 8 {
		return p
	}
	w, h := p.Rect.Dx(), p.Rect.Dy()
	size := image.Rect(0, 0, w, h)
	if turn >= 5 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range h {
		for x := range w {
			var to image.Point
			switch turn {
			case 2:
				to = image.Pt(w-1-x, y)
			case 3:
				to = image.Pt(w-1-x, h-1-y)
			case 4:
				to = image.Pt(x, h-1-y)
			case 5:
				to = image.Pt(y, x)
			case 6:
				to = image.Pt(h-1-y, x)
			case 7:
				to = image.Pt(h-1-y, w-1-x)
			case 8:
				to = image.Pt(y, w-1-x)
			}
			copy(out.Pix[to.Y*out.Stride+to.X*4:][:4], p.Pix[y*p.Stride+x*4:][:4])
		}
	}
	return out
}

// orientation reads how a JPEG is to be turned from its Exif part, 1 where it does not say. The camera's turn is part
// of what is thrown away, so it is carried out first.
func orientation(data []byte) int {
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker, length := data[at+1], int(binary.BigEndian.Uint16(data[at+2:]))
		if marker == 0xda || length < 2 || at+2+length > len(data) {
			break
		}
		part := data[at+4 : at+2+length]
		if marker == 0xe1 && bytes.HasPrefix(part, []byte("Exif\x00\x00")) {
			return exifTurn(part[6:])
		}
		at += 2 + length
	}
	return 1
}

func exifTurn(tiff []byte) int {
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.BigEndian
	if tiff[0] == 'I' {
		order = binary.LittleEndian
	}
	first := int(order.Uint32(tiff[4:]))
	if first < 8 || first > len(tiff)-2 {
		return 1
	}
	entries := int(order.Uint16(tiff[first:]))
	for i := range entries {
		at := first + 2 + 12*i
		if at+12 > len(tiff) {
			break
		}
		if order.Uint16(tiff[at:]) == 0x0112 {
			return int(order.Uint16(tiff[at+8:]))
		}
	}
	return 1
}
