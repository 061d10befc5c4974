"""What the server does not do for a client: the status, a sentence and advice for the person at the phone."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from starlette.responses import JSONResponse, PlainTextResponse, Response

API = "/api/"


class Refused(Exception):
    """A request that is answered with a sentence and advice."""

    def __init__(
        self, status: int, message: str, advice: str, why: str = "", headers: dict[str, str] | None = None
    ) -> None:
        super().__init__(message)
        self.status = status
        self.message = message
        self.advice = advice
        self.why = why
        """A few words for the log; empty: not worth a line."""
        self.headers = headers or {}


@dataclass(frozen=True, slots=True)
class Words:
    """One sentence and what to do."""

    message: str
    advice: str
    why: str = field(default="")


NO_TOKEN = Words(
    "This page is open only to those who have its code.",
    "Open the address in the terminal of the computer, or scan the code there, which --lan shows.",
    "no token",
)
FOREIGN = Words(
    "This request does not come from the page.",
    "Open the page by the code in the terminal of the computer.",
)
TOO_MUCH = Words(
    "This photo has more than {most_mb} MB.",
    "Set the camera to 12 to 50 megapixels and JPEG or HEIC.",
    "too large",
)
SLOW = Words(
    "The photo came too slowly and was not received.",
    "Go nearer to the wireless router and send it again.",
    "too slow",
)
CUT_SHORT = Words("The photo was not received whole.", "Send it again.", "not a whole form")
TABLE = Words(
    "The table photos.csv beside the photos cannot be understood just now.",
    "Look at the terminal of the computer: it names the line.",
    "photos.csv",
)
DISK = Words(
    "The computer cannot keep the photo or its results.",
    "Look at the terminal of the computer: its disk may be full.",
    "disk",
)
OURS = Words(
    "The program failed on this photo.",
    "Take the photo again; if it fails again, look at the terminal of the computer.",
    "program error",
)
SLIP = Refused(500, "The program failed on this request.", "Try it again.")


def refused(status: int, words: Words, why: str = "", **values: object) -> Refused:
    """Return the refusal of these words, filled in."""
    return Refused(
        status, words.message.format(**values), words.advice.format(**values), why or words.why or "refused"
    )


def busy(wait_s: float) -> Refused:
    """Return the answer when too many photos wait, with the seconds after which to try again."""
    seconds = max(1, math.ceil(wait_s))
    return Refused(
        503,
        "Too many photos wait to be measured just now.",
        f"Send it again in {seconds} s.",
        "busy",
        {"Retry-After": str(seconds)},
    )


def answer(path: str, problem: Refused) -> Response:
    """Return the response: JSON for the page's script, plain words for a person."""
    if path.startswith(API):
        told = {"message": problem.message, "advice": problem.advice}
        return JSONResponse(told, problem.status, problem.headers)
    return PlainTextResponse(f"{problem.message}\n{problem.advice}\n", problem.status, problem.headers)
