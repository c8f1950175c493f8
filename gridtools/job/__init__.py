"""The job file: one GeoPackage, changed in place, one atomic change at a time."""
