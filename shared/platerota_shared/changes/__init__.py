"""What-if changes: orders, closures, shifts, people, plates, machines, fixtures and settings, put upon a stored request.

>>> from platerota_shared.changes import apply_changes, Change, KINDS, EXAMPLES
"""

from platerota_shared.changes.applying import Changed, apply_changes
from platerota_shared.changes.kinds import EXAMPLES, KINDS, MAX_CHANGES, Change

__all__ = ["EXAMPLES", "KINDS", "MAX_CHANGES", "Change", "Changed", "apply_changes"]
