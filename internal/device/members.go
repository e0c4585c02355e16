package device

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// members reads which devices the mounted btrfs file systems stand on: the mount table names only one of each.
func (r *reader) members(mounts []Mount) ([]Member, error) {
	base := filepath.Join(r.sys, "fs", "btrfs")
	pools, err := os.ReadDir(base)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	var members []Member
	found := 0
	for _, pool := range pools {
		names, err := poolDevices(filepath.Join(base, pool.Name()))
		if err != nil {
			return nil, err
		}
		if len(names) > 0 {
			found++
		}
		for _, name := range names {
			members = append(members, Member{Kind: "btrfs", UUID: pool.Name(), Name: name})
		}
	}
	// All mounts of one btrfs share a number, so there are at least as many pools as numbers.
	mounted := map[DevNumber]bool{}
	for _, m := range mounts {
		if m.Kind == "btrfs" {
			mounted[m.Dev] = true
		}
	}
	if len(mounted) > found {
		return members, fmt.Errorf("%d are mounted, but only %d are told", len(mounted), found)
	}
	return members, nil
}

// poolDevices gives the kernel names of one pool's devices, none for a folder that is no pool.
func poolDevices(pool string) ([]string, error) {
	devices, err := os.ReadDir(filepath.Join(pool, "devices"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range devices {
		names = append(names, e.Name())
	}
	// Newer kernels list the devices by their numbers too, the missing ones among them.
	numbers, err := os.ReadDir(filepath.Join(pool, "devinfo"))
	if err == nil && len(numbers) != len(names) {
		return nil, fmt.Errorf("%s has %d devices, but %d are told", filepath.Base(pool), len(numbers), len(names))
	}
	return names, nil
}
