package main

import "github.com/spf13/cobra"

func (p *program) demoCommand() *cobra.Command { return &cobra.Command{Use: "demo"} }
