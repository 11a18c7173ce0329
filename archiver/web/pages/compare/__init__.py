"""Compare: pictures of a tooth at several dates, aligned; and any picture in full, in tiles."""
