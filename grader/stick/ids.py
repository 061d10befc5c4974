"""Batch ids: short, stable, readable by a scanner and by a person.

``CG1-7K3QF2ZC-A`` is a size group, ``CG1-7K3QF2ZC-A-01`` its first container. ``CG1`` names this format. The
eight signs are the first 40 bits of a SHA-256, in Crockford's base 32 (digits and letters without I, L, O, U;
from memory). It is taken over what the group holds, so the same cuttings, sorted alike into containers of
the same capacity, get the same id on any computer and day, and others get another. Of 10 000 groups, two
share their signs with a probability of 1 in 22 000.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence

FORMAT = "CG1"
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
N_SIGNS = 8
BITS_PER_SIGN = 5
PATTERN = re.compile(rf"{FORMAT}-[{ALPHABET}]{{{N_SIGNS}}}-[A-Z]{{1,3}}(-\d{{2,4}})?")
"""Every id of a group or container."""


def group_id(letter: str, capacity: int, members: Sequence[tuple[str, int]]) -> str:
    """Return the id of a size group.

    Parameters
    ----------
    letter : str
        Of the group.
    capacity : int
        Cuttings in a full container: it decides which cutting goes into which.
    members : sequence of (str, int)
        SHA-256 of the photo and number on it, of each cutting, in the order in which they are stuck.

    Examples
    --------
    >>> bool(PATTERN.fullmatch(group_id("A", 91, [("0" * 64, 1)])))
    True
    """
    lines = [FORMAT, letter, str(capacity), *(f"{sha256} {number}" for sha256, number in members)]
    digest = hashlib.sha256("\n".join(lines).encode()).digest()
    bits = int.from_bytes(digest[: N_SIGNS * BITS_PER_SIGN // 8], "big")
    signs = ""
    for k in reversed(range(N_SIGNS)):
        signs += ALPHABET[bits >> (BITS_PER_SIGN * k) & 31]
    return f"{FORMAT}-{signs}-{letter}"


def container_id(group: str, index: int) -> str:
    """Return the id of a container of a group; ``index`` counts from 1.

    Examples
    --------
    >>> container_id("CG1-7K3QF2ZC-A", 1)
    'CG1-7K3QF2ZC-A-01'
    """
    return f"{group}-{index:02d}"
