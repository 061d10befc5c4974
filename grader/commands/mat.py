"""The command ``grader mat``: make the measuring mat to print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLE = "Example: grader mat --size A4 --out mat"


def mat(
    size: Annotated[str, typer.Option(help="A4, A3, Letter, Tabloid, or WIDTHxHEIGHT in mm.")] = "A4",
    out: Annotated[Path, typer.Option(help="Folder for the PDF, SVG and PNG.")] = Path("mat"),
) -> None:
    """Make the measuring mat to print: PDF in true size, SVG and PNG."""
    from calib.design import mat_design
    from calib.draw import draw_pdf, draw_png, draw_svg
    from grader.write.files import write_atomic

    try:
        design = mat_design(size)
    except ValueError as problem:
        raise typer.BadParameter(str(problem), param_hint="--size") from None
    # A board of 1.2 m at 300 dots per inch would be 200 megapixels.
    dpi = 300.0 if max(design.layout.page_mm) < 500.0 else 150.0
    for suffix, data in (
        ("pdf", draw_pdf(design)),
        ("svg", draw_svg(design)),
        ("png", draw_png(design, dpi)),
    ):
        path = out / f"mat-{design.layout.mat_id}.{suffix}"
        write_atomic(path, data)
        typer.echo(str(path))
    typer.echo(
        'Print the PDF at 100 % ("actual size"), measure the check bar, and give its length once: '
        "grader grade PHOTO --measured 149.5",
        err=True,
    )
