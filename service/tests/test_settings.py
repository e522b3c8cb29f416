from pathlib import Path

import pytest
from pydantic import ValidationError

from platerota_service.settings import ServiceSettings


def test_settings_come_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLATEROTA_SOLVE_SLOTS", "7")
    monkeypatch.setenv("PLATEROTA_REPLAY_DIRECTORY", "/var/tmp/replay")
    settings = ServiceSettings()
    assert (settings.solve_slots, settings.replay_directory) == (7, Path("/var/tmp/replay"))


@pytest.mark.parametrize(("cores", "slots"), [(None, 1), (1, 1), (2, 1), (3, 1), (4, 2), (64, 32)])
def test_there_is_one_slot_for_every_two_cores(monkeypatch: pytest.MonkeyPatch, cores: int | None, slots: int) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: cores)
    assert ServiceSettings().solve_slots == slots


@pytest.mark.parametrize(
    "field", ["SOLVE_SLOTS", "QUEUE_LIMIT", "SOLVE_MEMORY_MIB", "STOP_GRACE_SECONDS", "KEEP_DAYS", "SOLVE_ATTEMPTS", "MAX_BODY_BYTES"],
)
def test_a_setting_of_zero_is_refused(monkeypatch: pytest.MonkeyPatch, field: str) -> None:
    monkeypatch.setenv(f"PLATEROTA_{field}", "0")
    with pytest.raises(ValidationError):
        ServiceSettings()


def test_a_process_that_only_answers_needs_a_database_that_others_can_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLATEROTA_ROLE", "api")
    with pytest.raises(ValidationError, match="PLATEROTA_DATABASE_URL"):
        ServiceSettings()
    monkeypatch.setenv("PLATEROTA_DATABASE_URL", "postgresql://somewhere/plans")
    settings = ServiceSettings()
    assert settings.role == "api"
    assert "somewhere" not in repr(settings)
