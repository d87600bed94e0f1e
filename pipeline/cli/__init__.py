"""The command line. Heavy modules are imported inside commands, so that help answers at once."""
