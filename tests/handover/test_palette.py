"""The palette under simulated colour vision, in grey, and beside the colours of services."""

import itertools

import numpy as np
import pytest

from gridtools.handover import palette

# Machado, Oliveira and Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE TVCG 15(6), 2009: matrices for severity 1.0, applied to linear RGB.
EYES = {
    "all cones": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# IEC 61966-2-1 (sRGB), D65.
XYZ_OF_RGB = [
    [0.4124564, 0.3575761, 0.1804375],
    [0.2126729, 0.7151522, 0.0721750],
    [0.0193339, 0.1191920, 0.9503041],
]
WHITE = (0.95047, 1.0, 1.08883)
# APWA uniform colour code, its colours as sRGB from memory of the ANSI Z535.1 safety colours.
SERVICES = {
    "electric": "#c8102e", "gas": "#ffd100", "communications": "#fe5000",
    "drinking water": "#0057b8", "sewer": "#00843d", "reclaimed water": "#6d2077",
    "survey": "#ff5ca8",
}  # fmt: skip
# "Just distinguishable" is about 2.3 (Mahy, Van Eycken and Oosterlinck 1994); thin lines side by
# side need much more: 20 is common practice, no source.
APART = 20.0
# Fills side by side share a border, and lie pale under everything else.
FILLS_APART = 14.0


def linear(colour):
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE 1976 L*a*b* (CIE 15) of linear RGB."""
    xyz = np.array(XYZ_OF_RGB) @ np.clip(rgb, 0, 1) / WHITE
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(a, b, eyes="all cones"):
    seen = np.array(EYES[eyes])
    return float(np.linalg.norm(lab(seen @ linear(a)) - lab(seen @ linear(b))))


def test_lab__of_known_colours():
    """Red and mid grey of sRGB (values of CIE 15 arithmetic as published by B. Lindbloom)."""
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.02)
    assert lab(linear("#777777")) == pytest.approx([50.03, 0.0, 0.0], abs=0.02)


def test_eyes__red_and_green_run_together():
    """The simulation does what it is for: a pair that fails."""
    assert distance("#c00000", "#5a6a00", "all cones") > 60
    assert distance("#c00000", "#5a6a00", "deuteranopia") < 20


@pytest.mark.parametrize("eyes", EYES)
@pytest.mark.parametrize(
    ("colours", "apart"),
    [(palette.LINES, APART), (palette.MARKS, APART), (palette.AREAS, FILLS_APART)],
    ids=["lines", "marks", "areas"],
)
def test_palette__is_told_apart(colours, apart, eyes):
    close = {
        (a, b): distance(a, b, eyes)
        for a, b in itertools.combinations(colours, 2)
        if distance(a, b, eyes) < apart
    }
    assert close == {}


@pytest.mark.parametrize("colours", [palette.LINES, palette.MARKS], ids=["lines", "marks"])
def test_palette__is_told_apart_in_grey(colours):
    """Lightness alone, as on a grey printer: 8 is common practice, no source."""
    lightness = sorted(lab(linear(colour))[0] for colour in colours)
    assert np.diff(lightness).min() > 8


def test_palette__keeps_off_the_colours_of_services():
    ours = {
        name: value for name, value in vars(palette).items()
        if name.isupper() and isinstance(value, str)
    }  # fmt: skip
    assert len(ours) > 8
    near = {
        (name, service)
        for name, colour in ours.items()
        for service, taken in SERVICES.items()
        if distance(colour, taken) < 35
    }
    assert near == set()


@pytest.mark.parametrize("name", ["INK", "PASS_1", "MISSED", "GREY"])
def test_palette__text_is_legible_on_paper(name):
    """Contrast of at least 4.5 to 1 (W3C WCAG 2.2, criterion 1.4.3)."""
    luminance = np.array(XYZ_OF_RGB)[1] @ linear(getattr(palette, name))
    assert 1.05 / (luminance + 0.05) >= 4.5
