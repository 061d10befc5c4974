"""What a stranger or a slow network can take of the server, at most; and how many photos may wait."""

from __future__ import annotations

from dataclasses import dataclass

from grader.bench.log import MOST_REFUSALS

MEGABYTE = 1_000_000


@dataclass(frozen=True, slots=True)
class Limits:
    """All bounds of the server; tests take smaller ones."""

    most_mb: int = 40
    """Of one photo.  A phone writes 2 to 15 MB; 48 megapixels in little compressed JPEG are 30."""
    most_form_bytes: int = 64 * 1024
    """Of everything else in an upload: four short texts and the lines between them."""
    most_text: int = 100
    """Characters of a name, a bed, a species."""
    most_waiting: int = 12
    """Photos received and not yet taken up: at 3 s each on two processes, nobody waits longer than 20 s."""
    stall_s: float = 15.0
    """Without a single byte of an upload; a phone that changes its radio cell takes a few seconds."""
    body_s: float = 120.0
    """For a whole upload: 40 MB at 2.7 Mbit/s, a weak wireless network."""
    head_s: float = 10.0
    """For the head of a request, from the first byte or from the connection on."""
    drain_s: float = 10.0
    """For reading away the rest of an upload that was refused, so that the answer can be read."""
    idle_s: float = 20.0
    """A connection without requests; the page asks every second or so while it waits."""
    request_s: float = 240.0
    """For a whole request, its answer read by the phone included."""
    most_connections: int = 32
    """At once: four phones open up to six each."""
    most_head_bytes: int = 16 * 1024
    most_refusals: int = MOST_REFUSALS
    """Told of one by one, in ten seconds."""
    stop_s: float = 30.0
    """For the photos in hand, when the person ends the program."""

    @property
    def most_photo_bytes(self) -> int:
        """Return the bytes of one photo."""
        return self.most_mb * MEGABYTE

    @property
    def most_body_bytes(self) -> int:
        """Return the bytes of one upload, photo and texts."""
        return self.most_photo_bytes + self.most_form_bytes
