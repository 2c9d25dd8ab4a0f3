"""The command line and the runner in the terminal."""
