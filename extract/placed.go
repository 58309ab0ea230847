package extract

import "context"

// Placer is a [Filesystem] of which some structures name the place that they
// belong in. Where metadata of an array or volume group may stand in front that
// was not read, they tell whether the volume lies in one piece all the same.
type Placer interface {
	// Placed looks for such structures in their places. It may be called before
	// the walk. It looks no farther than it needs to, and its error is that of
	// ctx.
	Placed(ctx context.Context) (Placed, error)
}

// PlacedEnough is how far into a volume structures in their places need not be
// looked for any more.
const PlacedEnough = 64 << 20

// Placed tells how a volume lies by structures that name their place. Members of
// striped arrays give it up in steps that all go one way, a drive's share and
// then a gap; so where a structure stands as far from the volume's start as it
// belongs, no gap lies between.
type Placed struct {
	Start int64 // of the volume in the image
	// End is the end in the image of the farthest structure in its place; 0 where
	// there is none.
	End int64
	// Wrong says that a structure, sound in itself, names another place than that
	// in which it stands.
	Wrong bool
	// All says that all such structures of the volume that are known and were read
	// stand in their places, however few they are.
	All bool
}

// Hit takes a structure that stands in its place and ends at end in the image.
func (p *Placed) Hit(end int64) { p.End = max(p.End, end) }

// Done reports whether no more need be looked at.
func (p *Placed) Done() bool { return p.Wrong || p.End-p.Start >= PlacedEnough }
