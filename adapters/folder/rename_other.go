//go:build !linux

package folder

// renameFree renames a file unless the new name is taken (fs.ErrExist).
func renameFree(from, to place) error { return renameReserved(from, to) }
