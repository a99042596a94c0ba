"""Requests made from the server's own OpenAPI document by Schemathesis, against a real server with real sessions.

Long form: `python -m tests.fuzz.openapi --examples 2000`. Every answer must be one the document tells of, in the form it
tells, and never a 5xx.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import hypothesis
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS, load_all_checks

from tests.browser.station import ROOT, Process

REAL = ["calm", "thin-link", "gusty-bad-number", "bench-trial"]
HEAD_AT_MOST = 1 << 16
KINDS = ["csv", "parquet", "kml", "gpx"]
ODD = ["..", "../keys", "%2e%2e%2fkeys", "live", "calm.pcapng", "calm/../../keys", "CON", "a\x00b", "calm ", ".", "x" * 5000]


class Server:
    """`blockhouse replay` on copies of the samples, in a home of its own."""

    def __init__(self, home: Path) -> None:
        sessions = home / "sessions"
        sessions.mkdir(parents=True)
        for file in (ROOT / "replay_samples").glob("*.pcapng"):
            shutil.copy(file, sessions)
        self.sessions = sessions
        self._process = Process(home, "replay", str(sessions / "calm.pcapng"), "--no-browser", "--http-port", "0")
        found = self._process.line(r"(http://[^/]+)/#\w+=(\S+)")
        self.url, self.token = found[1], found[2]

    @property
    def alive(self) -> bool:
        """Whether it still runs."""
        return self._process.process.poll() is None

    def stop(self) -> list[str]:
        """End it; return what it printed."""
        return self._process.stop()


def attack(server: Server, examples: int, seed: int) -> tuple[Counter[tuple[str, int]], list[str]]:
    """Send up to `examples` requests to each operation in each mode; return the answers' counts and what was wrong."""
    document = schemathesis.openapi.from_url(f"{server.url}/api/openapi.json")
    answers: Counter[tuple[str, int]] = Counter()
    wrong: list[str] = []
    for found in document.get_all_operations():
        operation = found.ok()
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            try:
                strategy = operation.as_strategy(generation_mode=mode)
                _run(server, strategy, operation.label, examples, seed, answers, wrong)
            except hypothesis.errors.Unsatisfiable:
                continue  # an operation without anything to get wrong
    return answers, wrong


def _run(server: Server, cases, label: str, examples: int, seed: int, answers: Counter, wrong: list[str]) -> None:
    headers = {"Authorization": f"Bearer {server.token}"}

    @hypothesis.seed(seed)
    @settings(
        max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate], database=None
    )
    @hypothesis.given(
        case=cases, name=st.one_of(st.none(), st.sampled_from(REAL), st.sampled_from(ODD)), kind=st.sampled_from(KINDS)
    )
    def one(case: schemathesis.Case, name: str | None, kind: str) -> None:
        if name is not None and case.path_parameters:
            for parameter in ("name", "entry"):
                if parameter in case.path_parameters:
                    case.path_parameters[parameter] = f"0 {name}" if parameter == "entry" else name
            if "kind" in case.path_parameters:
                case.path_parameters["kind"] = kind
        try:
            answer = case.call(headers=headers, timeout=60)
        except (
            requests.ConnectionError,
            requests.exceptions.ChunkedEncodingError,
        ):  # a head of more than 64 KiB is not read to its end
            assert len(case.as_curl_command()) > HEAD_AT_MOST and server.alive
            answers[(label, 400)] += 1
            return
        while answer.status_code == 429:  # asked too fast, and told so: as it should be
            time.sleep(float(answer.headers["retry-after"][0]))
            answer = case.call(headers=headers, timeout=60)
        answers[(label, answer.status_code)] += 1
        try:
            case.validate_response(answer, excluded_checks=_EXCLUDED)
        except BaseExceptionGroup as group:  # Schemathesis raises a group that is no Exception
            text = "; ".join(str(each) for each in group.exceptions)
            wrong.append(f"{label} {case.path_parameters} {str(case.query)[:80]} {str(case.body)[:80]}: {text[:300]}")

    one()


# A path that leads to nothing is "nothing of that name", not a bad request: what these two would want is not so here.
load_all_checks()
_EXCLUDED = [CHECKS.get_one(name) for name in ("negative_data_rejection", "positive_data_acceptance")]


def main(arguments: list[str]) -> int:
    """Run the long form and print what came."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=500, help="at most, for each operation in each mode")
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 30))
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        server = Server(Path(folder))
        answers, wrong = attack(server, options.examples, options.seed)
        alive = server.alive
        server.stop()
    for (label, code), count in sorted(answers.items()):
        print(f"{count:6d}  {code}  {label}")
    print(*dict.fromkeys(wrong), sep="\n")
    print(
        f"seed {options.seed}: {sum(answers.values())} requests, {len(wrong)} answers not as written, server alive: {alive}"
    )
    return 0 if alive and not wrong else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
