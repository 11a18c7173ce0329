"""Pages for the browser: taking in, finding, comparing, the record."""
