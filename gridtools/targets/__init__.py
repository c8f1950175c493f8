"""What may be there: evidence, candidates, edges."""
