"""One file a format; each turns an open binary stream into a `Recording`."""
