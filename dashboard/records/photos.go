package records

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image/jpeg"
	"net/http"
	"regexp"

	"example.org/meltstation/alerts/record"
	"example.org/meltstation/probe/trace"
)

// Limits of the photos kept with a batch. They lie in the trace's file, so that a
// backup has them too, on a small card.
const (
	PhotoSide     = 1280      // pixels, the longer side; the page scales them down before it sends them
	PhotoSent     = 1 << 20   // bytes, as sent
	photoKept     = 600 << 10 // bytes, as kept
	PhotosABatch  = 24        // together
	PhotosATime   = 6         // with one finding
	photoQuality  = 82        // of 100
	photoScans    = 64        // passes over the picture; a camera's progressive file has about ten
	photoKind     = "photo "  // + batch: the kind of document
	photoNameSize = 16        // bytes of the hash in a name
)

// Why a photo is not kept.
var (
	ErrPhoto      = errors.New("the photo can't be used")
	ErrNoPhoto    = errors.New("there is no such photo of this batch")
	ErrPhotosFull = errors.New("no more photos can be kept with this batch")
)

var photoName = regexp.MustCompile(`^[0-9a-f]{32}\.jpg$`)

// AddPhoto keeps a JPEG with a batch and returns its name. The picture is taken
// apart and written anew: what is kept holds its pixels and nothing else that a
// camera or anybody put into the file, such as where it was taken. The same
// picture twice is one.
func (b *Book) AddPhoto(ctx context.Context, batch string, data []byte, who string) (string, error) {
	if len(data) > PhotoSent {
		return "", fmt.Errorf("%w: it is larger than %d KiB; send it scaled down", ErrPhoto, PhotoSent>>10)
	}
	if kind := http.DetectContentType(data); kind != "image/jpeg" {
		return "", fmt.Errorf("%w: it is no JPEG but %s", ErrPhoto, kind)
	}
	size, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrPhoto, err)
	}
	if size.Width > PhotoSide || size.Height > PhotoSide || size.Width < 1 || size.Height < 1 {
		return "", fmt.Errorf("%w: it is %d × %d pixels; send it scaled down to %d", ErrPhoto, size.Width, size.Height, PhotoSide)
	}
	// A scan of a few bytes has the decoder pass over every block again: thousands
	// of them in one file would keep it busy for minutes.
	if n := bytes.Count(data, []byte{0xff, 0xda}); n > photoScans { // SOS, ITU-T T.81, table B.1
		return "", fmt.Errorf("%w: it has %d scans; send it as a baseline JPEG", ErrPhoto, n)
	}
	picture, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrPhoto, err)
	}
	var kept bytes.Buffer
	for quality := photoQuality; ; quality -= 20 {
		kept.Reset()
		if err := jpeg.Encode(&kept, picture, &jpeg.Options{Quality: quality}); err != nil {
			return "", fmt.Errorf("%w: %w", ErrPhoto, err)
		}
		if kept.Len() <= photoKept {
			break
		}
		if quality < 40 {
			return "", fmt.Errorf("%w: it holds more than %d KiB of detail", ErrPhoto, photoKept>>10)
		}
	}
	if _, err := b.Store.Batch(ctx, batch); err != nil {
		return "", err
	}
	sum := sha256.Sum256(kept.Bytes())
	name := hex.EncodeToString(sum[:photoNameSize]) + ".jpg"

	b.mu.Lock()
	defer b.mu.Unlock()
	all, err := b.Store.Docs(ctx, photoKind+batch)
	if err != nil {
		return "", err
	}
	for _, d := range all {
		if d.ID == name {
			return name, nil
		}
	}
	if len(all) >= PhotosABatch {
		return "", fmt.Errorf("%w: it has %d", ErrPhotosFull, PhotosABatch)
	}
	if err := b.Store.PutDoc(ctx, photoKind+batch, name, kept.Bytes(), who); err != nil {
		return "", fmt.Errorf("keeping a photo of batch %s: %w", batch, err)
	}
	return name, nil
}

// Photo returns one photo of a batch, a JPEG.
func (b *Book) Photo(ctx context.Context, batch, name string) ([]byte, error) {
	if !photoName.MatchString(name) {
		return nil, ErrNoPhoto
	}
	data, err := b.Store.Doc(ctx, photoKind+batch, name)
	if errors.Is(err, trace.ErrNoDocument) {
		return nil, ErrNoPhoto
	}
	return data, err
}

// HavePhotos reports whether a batch has all of these photos, and they are not too
// many for one finding.
func (b *Book) HavePhotos(ctx context.Context, batch string, names []string) error {
	if len(names) > PhotosATime {
		return fmt.Errorf("%w: %d at a time, %d were sent", ErrPhotosFull, PhotosATime, len(names))
	}
	for _, n := range names {
		if _, err := b.Photo(ctx, batch, n); err != nil {
			return err
		}
	}
	return nil
}

// Photos returns the photos that a record speaks of, by their names. One that is
// missing is passed over.
func (b *Book) Photos(ctx context.Context, r record.Record) (map[string]record.Photo, error) {
	var out map[string]record.Photo
	for _, f := range r.Findings {
		for _, n := range f.Photos {
			data, err := b.Photo(ctx, r.Code, n)
			if errors.Is(err, ErrNoPhoto) {
				continue
			}
			if err != nil {
				return nil, err
			}
			if out == nil {
				out = map[string]record.Photo{}
			}
			out[n] = record.Photo{Type: "image/jpeg", Data: data}
		}
	}
	return out, nil
}
