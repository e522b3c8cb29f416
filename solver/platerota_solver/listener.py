"""How a caller follows a solve: a base class whose methods do nothing."""

from __future__ import annotations

from platerota_shared.plan import Plan, Stage


class Listener:
    """Hears of progress; subclass and override what is wanted. Methods may be called from several threads."""

    def stage(self, stage: Stage) -> None:
        """What a stage reached: points, bound, wall seconds since the start."""

    def improved(self, plan: Plan) -> None:
        """A better plan, complete and described."""

    def should_stop(self) -> bool:
        """Whether the solve should end with its best plan; asked several times a second."""
        return False
