//go:build device

package e2e_test

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

const (
	killedImageBytes = 20*mib + 512
	killedCardBytes  = 32 * mib
)

// killedImage repeats nowhere, and begins with a partition table.
func killedImage() []byte {
	image := make([]byte, killedImageBytes)
	_, _ = rand.NewChaCha8([32]byte{9}).Read(image) // documented never to fail
	clear(image[440:512])
	copy(image[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	binary.LittleEndian.PutUint16(image[510:], 0xaa55)
	return image
}

// TestKillAtAnyMoment kills the program, which can tidy up nothing, at 25 seeded moments: when a certain operation reaches the
// card. Each time the card shows no table before a body that is not proven, the record says unfinished, a check says intact
// only where every byte is there, and the next run succeeds.
func TestKillAtAnyMoment(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	image := killedImage()
	path := filepath.Join(t.TempDir(), "killed.img")
	if err := os.WriteFile(path, image, 0o600); err != nil {
		t.Fatal(err)
	}
	whole := seatToKill(t, 0)
	run(t, 0, flashTo(path, []*seated{whole})...)
	operations, changes := whole.Counts().Operations, len(whole.changes())
	const kills = 25
	landed, struck := 0, 0
	for i := range kills {
		moment := killMoment{random.IntN(changes), true}
		if i%3 == 0 {
			moment = killMoment{random.IntN(operations), false}
		}
		whole, killed := killOnce(t, path, image, uint64(i), moment)
		if whole {
			landed++
		}
		if killed {
			struck++
		}
	}
	if struck < kills-5 {
		t.Errorf("only %d of %d kills came before the program's own end", struck, kills)
	}
	t.Logf("kills: %d at seeded ones of %d operations, %d of which change the card; on %d cards every byte had landed all the same",
		struck, operations, changes, landed)
}

// A killMoment is the nth operation, or the nth of those that change the card.
type killMoment struct {
	nth     int
	changes bool
}

func seatToKill(t *testing.T, seed uint64) *seated {
	t.Helper()
	return seat(t, cardlab.Traits{SizeBytes: killedCardBytes, Seed: 300 + seed, WriteBytesPerSecond: 400_000_000})
}

func killOnce(t *testing.T, path string, image []byte, seed uint64, moment killMoment) (landed, struck bool) {
	t.Helper()
	card, book := seatToKill(t, seed), filepath.Join(t.TempDir(), "logbook.db")
	seen := 0
	reached := card.meets(func(op cardlab.Op) bool {
		if !moment.changes || op.Kind != cardlab.OpRead {
			seen++
		}
		return seen > moment.nth
	})
	p := start(t, command{args: flashTo(path, []*seated{card}), logbook: book})
	select {
	case <-reached:
	case <-p.waited: // it had one operation less this time, and is done
	case <-time.After(longestRun):
		t.Fatal("the program does not come so far")
	}
	_ = p.cmd.Process.Signal(syscall.SIGKILL) // fails where the process has ended
	killed := p.wait()

	held := card.Truth().Read(0, killedCardBytes)
	landed = bytes.Equal(held[:len(image)], image)
	if stands := bytes.Equal(held[:512], image[:512]); stands && !landed {
		t.Errorf("killed at %+v: the table stands before a body that is not there", moment)
	}
	expectOldTableGone(t, card, held, moment)
	if killed.endedBySignal && len(card.Truth().Written()) > 0 {
		expectUnfinished(t, book, card)
	}
	want := 6
	if landed {
		want = 0
	}
	runCommand(t, want, command{args: []string{"check", card.path, "--image", path, "--json"}, logbook: book})
	runCommand(t, 0, command{args: flashTo(path, []*seated{card}), logbook: book})
	if !bytes.Equal(card.Truth().Read(0, len(image)), image) {
		t.Errorf("killed at %+v: the next run did not put the image on the card", moment)
	}
	return landed, killed.endedBySignal
}

// expectOldTableGone expects neither the first nor the last sector to be the old one, once a byte of the body was written.
func expectOldTableGone(t *testing.T, card *seated, held []byte, moment killMoment) {
	t.Helper()
	fresh, err := cardlab.New(card.traits)
	if err != nil {
		t.Fatal(err)
	}
	old := fresh.Truth().Read(0, killedCardBytes)
	if bytes.Equal(held[blockBytes:killedImageBytes], old[blockBytes:killedImageBytes]) {
		return
	}
	for _, at := range []int{0, 512, killedCardBytes - 512} {
		if bytes.Equal(held[at:at+512], old[at:at+512]) {
			t.Errorf("killed at %+v: the image was begun, and the sector at %d is still the old one", moment, at)
		}
	}
}
