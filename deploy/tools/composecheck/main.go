// Command composecheck reads a compose file as the reference library of the
// Compose Specification does (https://compose-spec.io), without an engine, and
// prints what it says, completed and with every path absolute.
//
//	go run ./composecheck FILE
package main

import (
	"context"
	"fmt"
	"os"

	"github.com/compose-spec/compose-go/v2/cli"
)

func main() {
	if err := check(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "composecheck:", err)
		os.Exit(1)
	}
}

func check(files []string) error {
	o, err := cli.NewProjectOptions(files, cli.WithName("lampward"))
	if err != nil {
		return err
	}
	p, err := o.LoadProject(context.Background())
	if err != nil {
		return err
	}
	b, err := p.MarshalYAML()
	if err != nil {
		return err
	}
	_, err = os.Stdout.Write(b)
	return err
}
