"""Reading our PDF back with PDFium, which shares nothing with what wrote it."""

import re

import pypdfium2 as pdfium


def pages_of(data):
    """Text of each page, white space as single spaces."""
    pages = [page.get_textpage().get_text_range() for page in pdfium.PdfDocument(data)]
    return [re.sub(r"\s+", " ", page) for page in pages]


def text_of(data):
    return " ".join(pages_of(data))


def ink_outside(data, margin=10.0):
    """Characters whose box reaches nearer to the edge of the paper than printers print."""
    outside = []
    for page in pdfium.PdfDocument(data):
        text = page.get_textpage()
        width, height = page.get_size()
        for k in range(text.count_chars()):
            left, bottom, right, top = text.get_charbox(k)
            if left < margin or bottom < margin or right > width - margin or top > height - margin:
                outside.append(text.get_text_range(k, 1))
    return [c for c in outside if c.strip()]


def sizes_of(data):
    """Width and height of each page in points."""
    return [page.get_size() for page in pdfium.PdfDocument(data)]
