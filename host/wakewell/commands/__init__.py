"""The subcommands: one file each."""
