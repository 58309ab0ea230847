package reread

// problem is what is to be chosen from: atoms of unread sectors, and items that
// are won once all their atoms are read.
type problem struct {
	sectors []int64 // of each atom
	cost    []int64 // of reading each atom, without the seek
	link    []int64 // what is saved if an atom and the next are both read
	seek    int64   // for each atom that is not joined to another

	// itemAtoms[itemAt[i]:itemAt[i+1]] are the atoms of item i, in order;
	// atomItems the other way round.
	itemAt, atomAt       []int32
	itemAtoms, atomItems []int32

	whole []float64 // what an item wins once all its atoms are read
	part  []float64 // what all of them together would win if they made nothing whole
	size  []int64   // sectors of an item
}

func (p *problem) atoms(item int32) []int32 { return p.itemAtoms[p.itemAt[item]:p.itemAt[item+1]] }
func (p *problem) items(atom int32) []int32 { return p.atomItems[p.atomAt[atom]:p.atomAt[atom+1]] }
func (p *problem) itemCount() int           { return len(p.whole) }
func (p *problem) atomCount() int           { return len(p.cost) }

// candidates is how many items and atoms there are.
func (p *problem) candidates() int { return len(p.whole) + len(p.cost) }

// index fills atomItems and size from itemAtoms.
func (p *problem) index() {
	p.atomAt = make([]int32, p.atomCount()+1)
	for _, a := range p.itemAtoms {
		p.atomAt[a+1]++
	}
	for a := range p.cost {
		p.atomAt[a+1] += p.atomAt[a]
	}
	p.atomItems = make([]int32, len(p.itemAtoms))
	p.size = make([]int64, p.itemCount())
	for i := range p.whole {
		for _, a := range p.atoms(int32(i)) {
			p.atomItems[p.atomAt[a]] = int32(i)
			p.atomAt[a]++
			p.size[i] += p.sectors[a]
		}
	}
	copy(p.atomAt[1:], p.atomAt) // each has come to where the next begins
	p.atomAt[0] = 0
}

// worth is what an item wins once got of its sectors are read.
func (p *problem) worth(item int32, got int64) float64 {
	switch {
	case got >= p.size[item]:
		return p.whole[item]
	case got == 0:
		return 0
	}
	return p.part[item] * float64(got) / float64(p.size[item])
}
