package capacity

// Before has the tests see, and refuse, each change that a check makes to its files, ahead of it.
func (o Options) Before(before func(call string) error) Options {
	o.before = before
	return o
}
