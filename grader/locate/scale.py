"""Which print scale holds: assumed, by the check bar, or by a card that lies on the mat."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from grader.locate.card import CARD_MM, Card, CardSettings, UnusableCard, find_card
from grader.records import MatPose, Photo

ASSUMED, BY_BAR, BY_CARD = "assumed", "check bar typed", "card"
"""Sources of a print scale, as in :class:`grader.records.MatPose`."""
NOT_CHECKED = (
    "print scale not checked: printers are often off a little, so all sizes may be about 0.3 % off (0.3 mm "
    "in 100 mm). To mend it, measure the check bar on the mat with a ruler and give its length once with "
    "--measured, or lay an ID-1 card (the size of bank cards) on the mat"
)
DISAGREE = "check bar and card disagree"
DISAGREE_SIGMAS = 2.0
"""Bar and card differ by more than so many standard uncertainties of their difference: one is wrong."""


def pose_at_scale(pose: MatPose, print_scale: float, sigma: float, source: str) -> MatPose:
    """Return the same pose for a mat that came out of the printer larger or smaller.

    Parameters
    ----------
    print_scale : float
        True mm per drawn mm.
    sigma : float
        Its relative standard uncertainty.
    source : str
        "assumed", "check bar typed" or "card".
    """
    s = print_scale / pose.print_scale
    columns, rows = pose.cell_edges_mm
    left, top, right, bottom = pose.lay_area_mm
    return replace(
        pose,
        page_mm=(s * pose.page_mm[0], s * pose.page_mm[1]),
        lay_area_mm=(s * left, s * top, s * right, s * bottom),
        fiducials_mm=tuple(np.asarray(corners) * s for corners in pose.fiducials_mm),
        plane=pose.plane.scaled(s),
        residual_rms_mm=s * pose.residual_rms_mm,
        position_sigma_mm=s * pose.position_sigma_mm,
        scale_sigma=sigma,
        print_scale=print_scale,
        print_scale_source=source,
        curl_mm=s * pose.curl_mm,
        px_per_mm=pose.px_per_mm / s,
        warnings=tuple(words for words in pose.warnings if source == ASSUMED or words != NOT_CHECKED),
        cell_edges_mm=(tuple(s * edge for edge in columns), tuple(s * edge for edge in rows)),
    )


def scaled_by_card(photo: Photo, pose: MatPose, settings: CardSettings | None = None) -> MatPose:
    """Return the pose at the print scale that a card on the mat tells; unchanged where none does.

    The card wins over a check bar that was typed: it lies on this very print, in this photo, and is measured
    finer than a rule is read.  Where the two differ by more than both allow, the pose says so.
    """
    card = find_card(photo, pose, settings)
    if card is None:
        return pose
    if isinstance(card, UnusableCard):
        words = f"a card seems to lie on the mat, but it does not tell the print scale: {card.problem}"
        return replace(pose, warnings=(*pose.warnings, words))
    scaled = pose_at_scale(pose, card.print_scale, card.sigma, BY_CARD)
    disagreement = "" if pose.print_scale_source == ASSUMED else _disagreement(pose, card)
    return replace(scaled, warnings=(*scaled.warnings, disagreement)) if disagreement else scaled


def _disagreement(pose: MatPose, card: Card) -> str:
    """Return what the person should know where bar and card differ; empty where they agree."""
    apart = abs(math.log(card.print_scale / pose.print_scale))
    if apart <= DISAGREE_SIGMAS * math.hypot(card.sigma, pose.scale_sigma):
        return ""
    return (
        f"{DISAGREE}: by the bar the mat was printed at {100 * pose.print_scale:.2f} "
        f"± {100 * pose.scale_sigma:.2f} %, by the card at {100 * card.print_scale:.2f} ± "
        f"{100 * card.sigma:.2f} %; the card's is used. Measure the bar of this print again and give "
        f"--measured; take the card off if it is not {CARD_MM[0]:.2f} x {CARD_MM[1]:.2f} mm (3.37 x 2.13 in)"
    )
