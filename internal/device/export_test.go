package device

// BindNumber binds a bay by a device number: the nodes of a tree that is laid out by a test are plain files, which have none.
func BindNumber(path string, number DevNumber, roots Roots) (*Bay, error) {
	return bindNumber(path, number, roots)
}
