"""The command line: commands, options and exit codes. The only room that prints, reads the clock, or ends the process."""
