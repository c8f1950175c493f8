"""The ground covered by strips along lines: the engine under plan, coverage and POD map."""
