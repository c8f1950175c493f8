"""Foreign formats, one module each, reader and writer together."""
