package store

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/partition"
)

// documentVersion is that of the documents below. One of another version is not read.
const documentVersion = 1

// maxDocumentBytes bounds what is read of a document: 67 bytes a block are enough for an image of 4 TB.
const maxDocumentBytes = 64 << 20

// A sealed is a document with the digest of its own body, so that a changed byte is noticed.
type sealed struct {
	Version int             `json:"version"`
	SHA256  string          `json:"sha256"`
	Body    json.RawMessage `json:"body"`
}

// A manifestBody is what manifest.json holds: it is written once, before the entry appears.
type manifestBody struct {
	Key        string           `json:"key"`
	Source     string           `json:"source"` // a path, a URL without its password, or "-"
	Member     string           `json:"member"` // of the archive, which the image is
	PreparedAt time.Time        `json:"prepared_at"`
	Image      source.Facts     `json:"image"`
	Blocks     []string         `json:"blocks"` // their SHA-256, in order
	Table      *partition.Table `json:"table"`
}

// A seenBody is what seen.json holds: how the source looked, where it is a local file. It is replaced whenever the file is found
// to look otherwise. The time of its file's last change is when the entry was used last.
type seenBody struct {
	Sightings []sighting `json:"sightings"`
}

// seal makes a document of a body.
func seal(body any) ([]byte, error) {
	raw, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	digest := sha256.Sum256(raw)
	return json.Marshal(sealed{documentVersion, hex.EncodeToString(digest[:]), raw})
}

// unseal reads a document's body. One that is missing, or not as it was written, is ErrDamaged.
func unseal(path string, body any) error {
	file, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	defer file.Close() // it was only read
	content, err := io.ReadAll(io.LimitReader(file, maxDocumentBytes))
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	var document sealed
	if err := json.Unmarshal(content, &document); err != nil {
		return fmt.Errorf("%w: %s: %w", ErrDamaged, filepath.Base(path), err)
	}
	if document.Version != documentVersion {
		return fmt.Errorf("%w: %s is of version %d, this program knows %d", ErrDamaged, filepath.Base(path),
			document.Version, documentVersion)
	}
	if digest := sha256.Sum256(document.Body); hex.EncodeToString(digest[:]) != document.SHA256 {
		return fmt.Errorf("%w: %s is not as it was written", ErrDamaged, filepath.Base(path))
	}
	return json.Unmarshal(document.Body, body)
}

// readManifest reads the manifest of an entry, and makes sure that it fits the folder and is whole in itself.
func readManifest(folder string) (*manifestBody, *flash.Manifest, error) {
	body := &manifestBody{}
	if err := unseal(filepath.Join(folder, manifestName), body); err != nil {
		return nil, nil, err
	}
	manifest := &flash.Manifest{ImageBytes: body.Image.ImageBytes}
	for _, text := range body.Blocks {
		digest, ok := source.ParseSum(text)
		if !ok {
			return nil, nil, fmt.Errorf("%w: %s holds what is no digest", ErrDamaged, manifestName)
		}
		manifest.Blocks = append(manifest.Blocks, flash.Digest(digest))
	}
	blocks := (manifest.ImageBytes + flash.BlockBytes - 1) / flash.BlockBytes
	if body.Key != filepath.Base(folder) || manifest.ImageBytes <= 0 || blocks != int64(len(manifest.Blocks)) || body.Table == nil {
		return nil, nil, fmt.Errorf("%w: %s is of another image", ErrDamaged, manifestName)
	}
	return body, manifest, nil
}

// hexOf gives digests as text.
func hexOf(digests []flash.Digest) []string {
	texts := make([]string, len(digests))
	for i, d := range digests {
		texts[i] = d.String()
	}
	return texts
}

// mustBeWhole compares the length of an entry's image file with what the manifest says.
func mustBeWhole(image *os.File, manifest *flash.Manifest) error {
	info, err := image.Stat()
	if err != nil {
		return errors.Join(ErrDamaged, err)
	}
	if info.Size() != manifest.ImageBytes {
		return fmt.Errorf("%w: %s has %d bytes, and should have %d", ErrDamaged, imageName, info.Size(), manifest.ImageBytes)
	}
	return nil
}
