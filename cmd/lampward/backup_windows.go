package main

// giveToOwner does nothing: new files take their rights from the folder.
func giveToOwner(string) error { return nil }
