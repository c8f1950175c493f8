"""Planning: search area, lanes, walking order, pegs, effort."""
