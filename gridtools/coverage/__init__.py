"""What was covered, what was missed, what to walk."""
