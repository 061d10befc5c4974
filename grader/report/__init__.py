"""report.html: one page for people about a whole batch, made from results.json and the marked pictures."""

from __future__ import annotations




