package store

import (
	"container/list"
	"sync"

	"pourbook/internal/pour"
)

// cupsMost is how many folded batches are kept in memory; a shop pours a handful at a time.
const cupsMost = 1024

// cup is a batch as its committed events make it. It is a value that is never changed: known only grows beyond its end.
type cup struct {
	number int64 // of its row
	state  pour.State
	known  []command
}

// command is an event's id with the hash of what was asked for, zero where the event followed from another.
type command struct {
	id   string
	hash hash
}

func (c cup) find(id string) (hash, bool) {
	for _, k := range c.known {
		if k.id == id {
			return k.hash, true
		}
	}
	return hash{}, false
}

// cups keeps the batches that were used last. It only ever holds what is committed.
type cups struct {
	mu    sync.Mutex
	most  int
	order *list.List // of *kept, last used first
	byID  map[string]*list.Element
}

type kept struct {
	batch string
	cup   cup
}

func newCups(most int) *cups {
	return &cups{most: most, order: list.New(), byID: map[string]*list.Element{}}
}

func (c *cups) get(batch string) (cup, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, ok := c.byID[batch]
	if !ok {
		return cup{}, false
	}
	c.order.MoveToFront(e)
	return e.Value.(*kept).cup, true
}

// settle publishes what a transaction staged, or after its failure forgets those batches, so that the next use reads
// the file again.
func (c *cups) settle(staged map[string]cup, committed bool) {
	if len(staged) == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for batch, now := range staged {
		e, ok := c.byID[batch]
		switch {
		case ok && committed:
			e.Value.(*kept).cup = now
			c.order.MoveToFront(e)
		case ok:
			c.order.Remove(e)
			delete(c.byID, batch)
		case committed:
			c.byID[batch] = c.order.PushFront(&kept{batch, now})
		}
	}
	for c.order.Len() > c.most {
		e := c.order.Back()
		c.order.Remove(e)
		delete(c.byID, e.Value.(*kept).batch)
	}
}
