package store

import (
	"crypto/sha256"
	"encoding/hex"
	"path/filepath"
	"regexp"

	"cardwright/flash/source"
)

// RootDir is where root keeps prepared images. It follows no variable of the environment, so that what root prepared is found
// again however root was become.
const RootDir = "/var/cache/cardwright"

// DefaultDir is the store of the user with this effective user id: RootDir for root, else cardwright in XDG_CACHE_HOME or,
// where that is unset or no absolute path, in .cache of HOME (XDG Base Directory Specification 0.8). env looks a variable up,
// as os.Getenv does.
func DefaultDir(euid int, env func(string) string) (string, error) {
	if euid == 0 {
		return RootDir, nil
	}
	if cache := env("XDG_CACHE_HOME"); filepath.IsAbs(cache) {
		return filepath.Join(cache, "cardwright"), nil
	}
	if home := env("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".cache", "cardwright"), nil
	}
	return "", ErrNoHome
}

// The names in a store. Whatever goes by another name is not the store's, and is left alone.
const (
	lockName     = "lock"              // held while entries come and go
	workPrefix   = ".cardwright-work-" // of folders that are being written, or deleted
	imageName    = "image.raw"
	manifestName = "manifest.json"
	seenName     = "seen.json"
)

// keyForm is what the folder of an entry is called: the digest of the packed source, and how the image was taken out of it.
var keyForm = regexp.MustCompile(`^[0-9a-f]{64}(-raw|-member-[0-9a-f]{16})?$`)

// variantOf is the part of a key that says how an image was taken out of its source, where that was chosen: the same source
// gives another image then. A member's name may hold anything, so its digest stands for it.
func variantOf(o source.Options) string {
	switch {
	case o.Member != "":
		digest := sha256.Sum256([]byte(o.Member))
		return "-member-" + hex.EncodeToString(digest[:8])
	case o.Raw:
		return "-raw"
	}
	return ""
}
