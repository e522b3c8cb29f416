"""Changes of the audit that change nothing that any plan could show, each with the reason."""

from __future__ import annotations

from typing import Final

EQUIVALENT: Final[dict[str, str]] = {
}
"""`Mutant.words` → why no test can notice it."""
