"""Every call of the description, fuzzed by schemathesis: no fault of the service, and every answer as it is described.

`make fuzz` does the same for many more requests: it sets FUZZ_REQUESTS.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import httpx

from .conftest import Server, started

HERE = Path(__file__).parent
FEW = 5
"""Cases of each call in one round of `make test`."""
MANY = 60
"""Cases of each call in one round of `make fuzz`."""


def calls(server: Server) -> int:
    """How many calls a server has answered, as it counts them itself."""
    found = re.findall(r"^platerota_calls_total\{.*\} ([0-9.e+]+)$", httpx.get(f"{server.url}/metrics").text, re.MULTILINE)
    return int(sum(map(float, found)))


def fuzzed(server: Server, seed: int, cases: int, *phases: str) -> str:
    """One round; what the tool prints, which must have found nothing."""
    command = [
        Path(sys.executable).parent / "schemathesis", "--config-file", HERE / "schemathesis.toml", "--no-color", "run",
        f"{server.url}/openapi.json", "--phases", ",".join(phases), "--max-examples", str(cases), "--seed", str(seed),
        "--generation-database", "none", "--continue-on-failure", "--no-shrink", "--request-timeout", "300",
    ]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")])}
    done = subprocess.run(
        command, cwd=HERE, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace", check=False,
    )
    assert done.returncode == 0, f"seed {seed}:\n{done.stdout[-20_000:]}"
    return done.stdout


def test_no_call_meets_a_fault_of_the_service_and_every_answer_is_as_described(tmp_path: Path) -> None:
    wanted = int(os.environ.get("FUZZ_REQUESTS", "0"))
    with started(tmp_path / "log", PLATEROTA_SOLVE_SLOTS="1", PLATEROTA_QUEUE_LIMIT="100000") as server:
        httpx.get(f"{server.url}/openapi.json", timeout=120)  # made at the first call, which takes it a second, or ten on a busy machine
        began = calls(server)
        printed = fuzzed(server, 1, MANY if wanted else FEW, *(("examples", "coverage") if wanted else ()), "fuzzing", "stateful")
        (of_all,), (tested,) = re.findall(r"Selected: (\d+)/\1\n", printed), re.findall(r"Tested: (\d+)", printed)
        assert of_all == tested, printed
        seed = 1
        while (sent := calls(server) - began) < wanted:
            print(f"{time.strftime('%H:%M:%S')} {sent:,} of {wanted:,} calls", flush=True)
            seed += 1
            fuzzed(server, seed, MANY, "fuzzing", "stateful")
        assert sent > 300
        assert httpx.get(f"{server.url}/v1/health/ready").status_code == 200
        assert '"level": "error"' not in server.log.read_text(encoding="utf-8")
