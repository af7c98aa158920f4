"""The local page: the same functions as the command line, shown to the eye."""
