package store

// Before has the tests see, and refuse, each change that a store makes to its files, ahead of it.
func (s *Store) Before(before func(call string) error) { s.disk.before = before }
