"""Is a JPEG file an everyday one, whole from its head to its end mark?

What a phone writes is decoded in the quickest way; that way says nothing of what is missing or unusual, so
it is asked for here first (ITU-T T.81 (09/92), annex B).
"""

from __future__ import annotations

import re

START, END_MARK, SCAN = 0xD8, 0xD9, 0xDA
SEQUENTIAL, PROGRESSIVE = (0xC0, 0xC1), (0xC2,)
"""Frames of Huffman codes, 8 bit in the first; the others are lossless, arithmetic or hierarchical."""
FRAMES = tuple(mark for mark in range(0xC0, 0xD0) if mark not in (0xC4, 0xC8, 0xCC))
WHOLE_SPECTRUM = bytes((0, 63, 0))
"""First and last coefficient and their bits, in each scan of a sequential frame."""
_NEXT_MARK = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
"""Inside a scan: 0 follows a plain 255, D0 to D7 restart the codes, 255 fills."""


def is_everyday_jpeg(data: bytes) -> bool:
    """Return whether the first picture of a file is a JPEG of 8 bit and three colours, not cut short.

    What lies behind its end mark (previews, depth maps) does not matter.  Damage within the codes of a scan
    is not seen.

    Examples
    --------
    >>> is_everyday_jpeg(b"GIF89a")
    False
    """
    if data[:2] != bytes((0xFF, START)):
        return False
    at, frame = 2, 0
    while at + 4 <= len(data) and data[at] == 0xFF:
        mark = data[at + 1]
        body = at + 4
        after = at + 2 + int.from_bytes(data[at + 2 : body])
        if mark in FRAMES:
            is_three_colours = data[body : body + 1] == b"\x08" and data[body + 5 : body + 6] == b"\x03"
            if frame or mark not in (*SEQUENTIAL, *PROGRESSIVE) or not is_three_colours:
                return False
            frame = mark
        elif mark == SCAN:
            if not frame or (frame in SEQUENTIAL and data[after - 3 : after] != WHOLE_SPECTRUM):
                return False
            found = _NEXT_MARK.search(data, after)
            if found is None:
                return False
            after = found.start()
            if data[after + 1] == END_MARK:
                return True
        elif mark < FRAMES[0] or mark in range(0xD0, SCAN):
            return False
        at = after
    return False
