"""From the field: fixes to runs, hits placed on runs, tape notes to runs."""
