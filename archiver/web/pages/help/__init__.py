"""Help: what every verb of the command line takes."""
