"""A figure made ready to stand inside a page."""

from __future__ import annotations

import re

__all__ = ["embedded"]


def embedded(svg: str, key: str, alt: str) -> str:
    """An SVG document made ready to stand inside HTML beside others.

    Parameters
    ----------
    svg : str
        As Matplotlib writes it.
    key : str
        Put before every id, since ids must be unique in a page.
    alt : str
        Its accessible name.

    Returns
    -------
    str
    """
    from markupsafe import escape

    from stanch.figures.style import GRID, INK, MUTED, SERIES, SHADE

    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'\bid="', f'id="{key}-', body)
    body = body.replace("url(#", f"url(#{key}-").replace('xlink:href="#', f'xlink:href="#{key}-')
    # Colours become variables of the page, so that they follow light, dark and print.
    names = {INK: "ink", MUTED: "muted", GRID: "grid", SHADE: "shade"}
    names |= {colour: f"series-{k}" for k, colour in enumerate(SERIES)}
    for colour, name in names.items():
        body = re.sub(rf"(fill|stroke): {colour}\b", rf"\1: var(--{name}, {colour})", body)
    body = re.sub(r'<svg ([^>]*?)width="[^"]*" height="[^"]*"', r"<svg \1", body, count=1)
    body = re.sub(r'<svg ([^>]*?)height="[^"]*"([^>]*?)width="[^"]*"', r"<svg \1\2", body, count=1)
    return body.replace("<svg ", f'<svg role="img" aria-label="{escape(alt)}" ', 1)
