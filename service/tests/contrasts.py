"""Contrast of two colours, as WCAG 2.2 counts it."""

from __future__ import annotations


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb``: W3C, Web Content Accessibility Guidelines 2.2, definition of relative luminance."""
    parts = [int(colour[at:at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, two: str) -> float:
    """Contrast ratio of two colours (same source, definition of contrast ratio)."""
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)
