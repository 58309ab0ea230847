package ext

import "context"

const journalMagic = 0xC03B3998

type journalCopy struct {
	at           int64
	escaped, bad bool
}
type journalState struct{ note, pending string }

func (v *Volume) openJournal(ctx context.Context) error { return nil }
