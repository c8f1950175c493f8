"""Bounded fuzzing of the readers: `python tests/fuzz.py [SECONDS] [SEED]`.

Good inputs are cut, doubled and changed at random. Anything but a result or an error of our own,
or a reading of over 10 s, stops it and prints the reader, the seed and the bytes.
"""

import random
import sys
import time
from collections import Counter

import shapely

from gridtools.errors import GridtoolsError
from gridtools.formats.csv import read_csv
from gridtools.formats.gpx import read_gpx
from gridtools.formats.outcomes import read_outcomes
from gridtools.formats.table import decode
from gridtools.formats.tape_notes import read_tape_note
from gridtools.formats.trials import read_trials
from gridtools.layers import Lanes

IDS = ["1-001", "1-002", "1-003", "2-001"]
LANES = Lanes.build(geometry=[shapely.LineString([(0, 0), (40, 0)])] * len(IDS), lane_id=IDS)
READERS = {
    "gpx": lambda data: read_gpx(data, "a.gpx"),
    "csv": lambda data: read_csv(data, "a.csv"),
    "notes": lambda data: read_tape_note(decode(data, "a.txt"), "a.txt", LANES),
    "trials": lambda data: read_trials(data, "a.csv"),
    "outcomes": lambda data: read_outcomes(data, "a.csv"),
}
SEEDS = {
    "gpx": b'<gpx xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="1" lon="2"><name>a</name>'
    b'</wpt><trk><name>b</name><trkseg><trkpt lat="1" lon="2"><time>2026-05-12T09:00:00Z</time>'
    b"</trkpt></trkseg></trk></gpx>",
    "csv": b"time,lon,lat,note\n2026-05-12T09:00:00Z,15.5,52.25,a\n",
    "notes": b"1-001 to 1-003, missed 1-002, 2-001 from 3 m to 9 ft\nhit 1-001 at 4 m",
    "trials": b"lateral_m,responded,heading_deg\n1.5,yes,90\n-2,no,270\n",
    "outcomes": b"dig,found,metal,depth_m,time\nD001,tank,yes,1.1,2026-05-12T09:00:00Z\n",
}
PIECES = [b"\0", b"\xff", b"\xef\xbb\xbf", b'"', b"\r", b"\n", b";", b"\t", b"NaN", b"1e999", b"-",
          b"9" * 400, b"&a;", b"<![CDATA[", b"<!DOCTYPE a>", b"]]>", b"=1+1", "²".encode(),
          "١".encode(), b"+14:00", b"0000"]  # fmt: skip


def changed(data: bytes, rng: random.Random) -> bytes:
    """Bytes with one to four random changes."""
    for _ in range(rng.randint(1, 4)):
        i, j = sorted(rng.choices(range(len(data) + 1), k=2))
        data = rng.choice([
            data[:i] + rng.choice(PIECES) + data[i:],
            data[:i] + data[j:],
            data[:j] + data[i:],
            data[:i] + rng.randbytes(1) + data[i + 1 :],
        ])[:5000]  # fmt: skip
    return data


def fuzz(seconds: float, seed: int = 1) -> Counter[str]:
    """Readings made of each reader, and how many of them gave a result."""
    rng, made = random.Random(seed), Counter()
    finish = time.monotonic() + seconds
    while time.monotonic() < finish:
        for name, read in READERS.items():
            data = changed(SEEDS[name], rng)
            start = time.monotonic()
            try:
                read(data)
                made[f"{name} read"] += 1
            except GridtoolsError:
                pass
            except BaseException:
                print(name, seed, data)
                raise
            assert time.monotonic() - start < 10, (name, seed, data)
            made[name] += 1
    return made


if __name__ == "__main__":
    print(dict(fuzz(*map(int, sys.argv[1:3] or ["60"]))))
