"""The colours of maps, styles and drawings: few, quiet, and apart for every eye and in grey.

Chosen so that any two which mark things of one kind differ by a CIELAB distance of at least 20,
also to eyes without the long, middle or short cones, and so that none comes near a colour by
which buried services are marked on the ground (APWA uniform colour code: red, yellow, orange,
blue, green, purple, pink). The tests hold both.
"""

#: Outlines, text, and whatever matters most.
INK = "#1d2a33"
#: Secondary lines and hatching.
GREY = "#6e7276"
#: What was walked or is done with.
LIGHT = "#a3a8ab"
#: Inside of hollow marks, and the halo of text.
PAPER = "#ffffff"

#: Pass 1 and pass 2: lanes, and the ground that each covered.
PASS_1 = "#1a6a74"
PASS_2 = "#b58a45"
COVERED_1 = "#a9cdd0"
COVERED_2 = "#e0cda9"

#: What was missed, and the lanes that close it.
MISSED = "#7d3620"

#: Ground to be searched.
GROUND = "#eeefe8"

#: Candidates neither metal nor a ground edge as yet.
UNRESOLVED = "#c9a66b"

#: Colours that mark things of one kind, and so must be told from each other.
LINES = (PASS_1, PASS_2, MISSED, INK, LIGHT)
AREAS = (GROUND, COVERED_1, COVERED_2, MISSED)
MARKS = (INK, UNRESOLVED, PAPER)
