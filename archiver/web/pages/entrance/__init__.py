"""Log-in, the start page, the colours of the screen, and the page of the server."""
