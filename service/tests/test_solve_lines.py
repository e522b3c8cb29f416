import json

import pytest
from pydantic import ValidationError

from platerota_service.answers import example
from platerota_service.solve_lines import Improved, Reached, order_line, read_line
from platerota_shared.plan import Plan, Stage
from platerota_shared.starts import Start


@pytest.mark.parametrize(
    ("total", "bound", "gap"), [(4.0, 3.0, 0.25), (0.0, 0.0, 0.0), (None, None, None), (4.0, None, None), (None, 3.0, None)],
)
def test_progress_has_a_gap_where_total_and_bound_are_known(total: float | None, bound: float | None, gap: float | None) -> None:
    assert Reached.of(Stage(name="search", seconds=1.0, total=total, bound=bound)).gap == gap


def test_a_line_survives_being_said() -> None:
    for line in (Reached(stage="search", seconds=1.5), Improved(plan={"id": "1"})):
        assert read_line(line.model_dump_json().encode()) == line


@pytest.mark.parametrize("text", [b"", b"hello", b"{}", b'{"event": "dance"}', b'{"event": "done", "more": 1}', b"\xff"])
def test_anything_else_is_refused(text: bytes) -> None:
    with pytest.raises(ValidationError):
        read_line(text)


def test_the_order_is_one_line() -> None:
    plan = Plan.from_document({name: value for name, value in example("plan").items() if name in Plan.model_fields})
    for start in (None, Start(plan, counts_moves=True)):
        line = order_line(b'{"orders":[]}', 512, start)
        assert line.endswith(b"\n")
        assert line.count(b"\n") == 1
        told = start.document() if start is not None else None
        assert json.loads(line) == {"memory_mib": 512, "start": told, "request": {"orders": []}}
