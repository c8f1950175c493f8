"""CSV logs that cannot be used, built in code."""

import pytest

from .refusals import refused

CSV_HEAD = "time,lon,lat\n"
ROW = "2026-05-12T09:00:00Z,15.0004,52.348\n"
CASES = {
    "binary": b"time,lon,lat\n\x01\x02\x03\n",
    "UTF-16": (CSV_HEAD + ROW).encode("utf-16"),
    "UTF-16 big endian, no mark": (CSV_HEAD + ROW).encode("utf-16-be"),
    "Latin-1": (CSV_HEAD + ROW).replace("time", "Höhe,time").encode("latin-1"),
    "NUL": (CSV_HEAD + "\0" + ROW).encode(),
    "header only": CSV_HEAD.encode(),
    "blank lines": b"\n\n\n",
    "mark alone": b"\xef\xbb\xbf",
    "no header": ROW.encode(),
    "column twice": b"time,lon,lat,lon\n" + ROW.encode(),
    "column twice by another name": b"time,lon,lat,longitude\n" + ROW.encode(),
    "no lat": b"time,lon\n2026-05-12T09:00:00Z,15\n",
    "no time": b"lon,lat\n15,52\n",
    "columns of two forms": b"time,lon,lat,x,y\n2026-05-12T09:00:00Z,15,52,1,2\n",
    "too few cells": (CSV_HEAD + "2026-05-12T09:00:00Z,15\n").encode(),
    "too many cells": (CSV_HEAD + ROW.strip() + ",9\n").encode(),
    "quote not closed": (CSV_HEAD + '"' + ROW).encode(),
    "separator |": (CSV_HEAD + ROW).replace(",", "|").encode(),
    "separator space": (CSV_HEAD + ROW).replace(",", " ").encode(),
    "decimal commas among commas": (CSV_HEAD + "2026-05-12T09:00:00Z,15,0004,52,348\n").encode(),
    "formula": (CSV_HEAD + "2026-05-12T09:00:00Z,=1+1,52\n").encode(),
    "command formula": (CSV_HEAD + "2026-05-12T09:00:00Z,=cmd|' /C calc'!A0,52\n").encode(),
    **{f"lon {t or 'empty'}": (CSV_HEAD + f"2026-05-12T09:00:00Z,{t},52\n").encode()
       for t in ("", "nan", "inf", "181", "1e999", "1_5", "x")},
    **{f"lat {t or 'empty'}": (CSV_HEAD + f"2026-05-12T09:00:00Z,15,{t}\n").encode()
       for t in ("", "NaN", "-inf", "90.1", "52°")},
    **{f"time {t or 'empty'}": (CSV_HEAD + f"{t},15.0004,52.348\n").encode()
       for t in ("", "noon", "2026-05-12T09:00:00", "12.05.2026 09:00", "2026-02-30T09:00:00Z",
                 "45000.375")},
    "0,0": (CSV_HEAD + "2026-05-12T09:00:00Z,0,0\n").encode(),
    "lon and lat changed over": (CSV_HEAD + "2026-05-12T09:00:00Z,52.348,15.0004\n").encode(),
    "another continent": (CSV_HEAD + "2026-05-12T09:00:00Z,18.4,-33.9\n").encode(),
    "x and y in degrees": b"time,x,y\n2026-05-12T09:00:00Z,15.0004,52.348\n",
    "feet in a job in metres": b"time,x,y\n2026-05-12T09:00:00Z,1640420,19028871\n",
    "unknown part": b"time,part\n2026-05-12T09:00:00Z,middle\n",
    "unknown lane": b"lane,chainage_m\n9-999,3\n",
    "chainage past the lane": b"lane,chainage_m\n1-001,4000\n",
    "chainage negative": b"lane,chainage_m\n1-001,-5\n",
    "chainage in both units": b"lane,chainage_m,chainage_ft\n1-001,1,3\n",
    "unknown direction": b"lane,from_m,to_m,direction\n1-001,0,9,sideways\n",
    "stretch of no length": b"lane,from_m,to_m\n1-001,9,9\n",
    "stretch past the lane": b"lane,from_m,to_m\n1-001,0,900\n",
    "one line of a million": CSV_HEAD.encode() + b"9" * 1_000_000,
}  # fmt: skip

#: Words of the refusal.
WORDS = {
    "time 2026-05-12T09:00:00": "--tz",
    "binary": "not a log",
    "UTF-16": "UTF-8",
    "UTF-16 big endian, no mark": "not a text",
    "Latin-1": "save it as UTF-8",
    "NUL": "not a text",
    "header only": "no rows",
    "blank lines": "empty",
    "mark alone": "header",
    "no header": "name the columns",
    "column twice": "two columns for lon",
    "column twice by another name": "two columns for lon",
    "no lat": "name the columns",
    "no time": "name the columns",
    "columns of two forms": "leave one pair out",
    "too few cells": "row 2",
    "too many cells": "4 values",
    "quote not closed": "row 2",
    "separator |": "name the columns",
    "separator space": "name the columns",
    "decimal commas among commas": "5 values",
    "formula": "'=1+1'",
    "command formula": "bad number at row 2",
    "0,0": "within 1 km",
    "lon and lat changed over": "swapped",
    "another continent": "within 1 km",
    "x and y in degrees": "within 1 km",
    "feet in a job in metres": "another CRS",
    "unknown part": "'middle'",
    "unknown lane": "no lane 9-999",
    "chainage past the lane": "is not on lane",
    "chainage negative": "is not on lane",
    "chainage in both units": "leave one of them out",
    "unknown direction": "'sideways'",
    "stretch of no length": "no length",
    "stretch past the lane": "is not on lane",
    "one line of a million": "row 2",
}


@pytest.mark.parametrize("name", CASES)
def test_record__refuses(planned, tmp_path, name):
    # Where no other words are given, the case is called after its column.
    words = WORDS.get(name) or f"row 2, column {name.split()[0]}"
    refused(planned, tmp_path / "walk.csv", CASES[name], [words])
