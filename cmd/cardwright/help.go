package main

import "github.com/spf13/cobra"

// usageTemplate is the part of a command's help that follows its description. Its lines fit 80 columns.
const usageTemplate = `Usage:
  {{if .HasAvailableSubCommands}}{{.CommandPath}} COMMAND{{else}}{{.UseLine}}{{end}}
{{if .HasExample}}
Examples:
{{.Example}}
{{end}}{{if .HasAvailableSubCommands}}
Commands:
{{range .Commands}}{{if .IsAvailableCommand}}  {{rpad .Name .NamePadding}}  {{.Short}}
{{end}}{{end}}
"{{.CommandPath}} COMMAND --help" tells more of each.
{{end}}{{if .HasAvailableLocalFlags}}
Flags:
{{.LocalFlags.FlagUsagesWrapped 79 | trimTrailingWhitespaces}}
{{end}}{{if .HasAvailableInheritedFlags}}
Flags of every command:
{{.InheritedFlags.FlagUsagesWrapped 79 | trimTrailingWhitespaces}}
{{end}}`

// helpCommand is the help command, for which a word that is no command is wrong usage too.
func helpCommand(root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND]",
		Short: "Help about a command",
		RunE: func(_ *cobra.Command, args []string) error {
			cmd, rest, err := root.Find(args)
			if err != nil {
				return usageError{err}
			}
			if err := unknownCommand(cmd, rest); err != nil {
				return err
			}
			return cmd.Help()
		},
	}
}

// eachCommand visits a command and all below it.
func eachCommand(cmd *cobra.Command, visit func(*cobra.Command)) {
	visit(cmd)
	for _, below := range cmd.Commands() {
		eachCommand(below, visit)
	}
}
