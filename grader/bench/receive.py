"""An upload, read as it comes: sizes and times are checked meanwhile, names of files never looked at."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header

from grader.bench.folder import Arriving
from grader.bench.limits import Limits
from grader.bench.refused import CUT_SHORT, SLOW, TOO_MUCH, Refused, refused

PHOTO = "photo"
FIELDS = ("cutter", "donor", "species", "targets")
MOST_BYTES_A_CHARACTER = 4
"""In UTF-8."""
MOST_PART_HEADERS, MOST_PART_HEADER_BYTES = 8, 1024


@dataclass(slots=True)
class _Form:
    """What the parser has seen so far; its callbacks."""

    upload: Arriving
    limits: Limits
    texts: dict[str, bytearray] = field(default_factory=dict)
    is_whole: bool = False
    has_photo: bool = False
    _part: str = ""
    _header: tuple[bytearray, bytearray] = field(default_factory=lambda: (bytearray(), bytearray()))
    _disposition: bytes = b""

    def part_begin(self) -> None:
        self._part, self._disposition = "", b""

    def header_begin(self) -> None:
        self._header = (bytearray(), bytearray())

    def header_field(self, data: bytes, start: int, end: int) -> None:
        self._header[0].extend(data[start:end])

    def header_value(self, data: bytes, start: int, end: int) -> None:
        self._header[1].extend(data[start:end])

    def header_end(self) -> None:
        if bytes(self._header[0]).lower() == b"content-disposition":
            self._disposition = bytes(self._header[1])

    def headers_finished(self) -> None:
        try:
            _, options = parse_options_header(self._disposition)
        except ValueError:
            options = {}
        name = options.get(b"name", b"").decode("latin-1")
        is_twice = name in self.texts or (name == PHOTO and self.has_photo)
        if name not in (PHOTO, *FIELDS) or is_twice:
            raise Refused(400, "The form is not that of the page.", "Load the page again.", "another form")
        self._part = name
        if name == PHOTO:
            self.has_photo = True
        else:
            self.texts[name] = bytearray()

    def part_data(self, data: bytes, start: int, end: int) -> None:
        if self._part == PHOTO:
            if self.upload.n_bytes + end - start > self.limits.most_photo_bytes:
                raise too_much(self.limits)
            self.upload.write(data[start:end])
            return
        text = self.texts[self._part]
        text.extend(data[start:end])
        if len(text) > MOST_BYTES_A_CHARACTER * self.limits.most_text:
            raise Refused(
                422,
                f"The {self._part} is too long.",
                f"Use at most {self.limits.most_text} characters.",
                f"{self._part} too long",
            )

    def end(self) -> None:
        self.is_whole = True


def too_much(limits: Limits) -> Refused:
    """Return the refusal of a photo with too many bytes."""
    return refused(413, TOO_MUCH, most_mb=limits.most_mb)


def boundary_of(content_type: str) -> bytes:
    """Return the boundary of a form with files.

    Raises
    ------
    Refused
        If the request holds anything else.
    """
    try:
        kind, options = parse_options_header(content_type)
    except ValueError:  # Characters that no such header may hold.
        kind, options = b"", {}
    boundary = options.get(b"boundary", b"")
    if kind.lower() != b"multipart/form-data" or not boundary:
        raise Refused(415, "The photo was not sent as a form.", "Load the page again.", "no form")
    return boundary


async def receive(
    chunks: AsyncIterator[bytes], boundary: bytes, upload: Arriving, limits: Limits
) -> dict[str, str]:
    """Read an upload into its file; return the texts beside the photo.

    Raises
    ------
    Refused
        If it is too large, too slow, or no such form.
    ClientDisconnect
        If the phone went away.
    """
    form = _Form(upload, limits)
    try:
        parser = MultipartParser(
            boundary,
            {
                "on_part_begin": form.part_begin,
                "on_header_begin": form.header_begin,
                "on_header_field": form.header_field,
                "on_header_value": form.header_value,
                "on_header_end": form.header_end,
                "on_headers_finished": form.headers_finished,
                "on_part_data": form.part_data,
                "on_end": form.end,
            },
            max_header_count=MOST_PART_HEADERS,
            max_header_size=MOST_PART_HEADER_BYTES,
        )
        n_bytes = 0
        async with asyncio.timeout(limits.body_s):
            while chunk := await _next(chunks, limits.stall_s):
                n_bytes += len(chunk)
                if n_bytes > limits.most_body_bytes:
                    raise too_much(limits)
                parser.write(chunk)
    except TimeoutError as problem:
        raise refused(408, SLOW) from problem
    except FormParserError as problem:
        raise refused(400, CUT_SHORT) from problem
    if not form.is_whole:
        raise refused(400, CUT_SHORT)
    if not form.has_photo:
        raise Refused(400, "There is no photo in the form.", "Choose a photo and send it again.", "no photo")
    return {name: _text(name, value) for name, value in form.texts.items()}


async def _next(chunks: AsyncIterator[bytes], most_s: float) -> bytes:
    """Return the next bytes, none at the end."""
    async with asyncio.timeout(most_s):
        async for chunk in chunks:
            if chunk:
                return chunk
    return b""


def _text(name: str, value: bytearray) -> str:
    try:
        return value.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise Refused(422, f"The {name} is no text.", "Type it again.", f"{name} not text") from problem
