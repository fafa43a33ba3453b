package main

// ownFolder refuses nothing: see the other one.
func ownFolder(string, string) error { return nil }
