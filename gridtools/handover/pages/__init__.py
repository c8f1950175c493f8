"""Pages to print and carry, as PDF: what is walked by, written on, and dug by."""
