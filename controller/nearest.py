"""The known word nearest to a mistyped one."""

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that looks most like `word` (only its first 60 characters count), or None."""
    matches = get_close_matches(word[:60], list(known), n=1, cutoff=0.6)
    return matches[0] if matches else None
