"""How much one place may ask for."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.http.page_files import modules
from server.http.request_limit import BURST, PER_S, Busy, RequestLimit, WorkGate
from tests.server.http.page_server import PageServer, run


def test_a_burst_then_a_rate() -> None:
    limit = RequestLimit(burst=3, per_s=2)
    assert [limit.wait_s("a", 10.0) for _ in range(4)] == [0, 0, 0, 0.5]
    assert limit.wait_s("b", 10.0) == 0  # another source is not touched
    assert limit.wait_s("a", 10.4) == pytest.approx(0.1)
    assert limit.wait_s("a", 10.5) == 0
    assert limit.wait_s("a", 1e9) == 0 and [limit.wait_s("a", 1e9) for _ in range(3)] == [0, 0, 0.5]


@given(st.lists(st.floats(0, 0.5), min_size=1, max_size=200))
def test_never_more_than_burst_plus_rate(gaps: list[float]) -> None:
    """The bound a token bucket keeps: in any stretch of length t at most burst + rate x t."""
    limit, now, served = RequestLimit(burst=5, per_s=3), 0.0, []
    for gap in gaps:
        now += gap
        if limit.wait_s("a", now) == 0.0:
            served.append(now)
    for i, first in enumerate(served):
        for j in range(i, len(served)):
            assert j - i + 1 <= 5 + 3 * (served[j] - first) + 1e-6


def test_time_going_back_and_many_sources() -> None:
    limit = RequestLimit(burst=2, per_s=1, sources=4)
    assert [limit.wait_s("a", now) == 0 for now in (100.0, 50.0, 50.0)] == [True, True, False]
    for number in range(10):
        limit.wait_s(str(number), 100.0)
    assert len(limit._left) == 4


def test_work_waits_its_turn_and_is_refused_beyond_that() -> None:
    async def go() -> None:
        gate, free, running = WorkGate(at_once=2, waiting=1), threading.Event(), []

        def work() -> int:
            running.append(1)
            free.wait(5)
            return len(running)

        tasks = [asyncio.create_task(gate.run(work)) for _ in range(3)]
        while len(running) < 2:
            await asyncio.sleep(0.001)
        with pytest.raises(Busy):
            await gate.run(work)
        assert len(running) == 2  # the third waits, without a thread
        free.set()
        assert len(await asyncio.gather(*tasks)) == 3
        assert await gate.run(work) == 4  # there is room again

    asyncio.run(go())


def test_work_that_fails_gives_its_turn_back() -> None:
    async def go() -> None:
        gate = WorkGate(at_once=1, waiting=0)
        for _ in range(3):
            with pytest.raises(ZeroDivisionError):
                await gate.run(lambda: 1 // 0)

    asyncio.run(go())


def test_over_http_a_flood_is_refused_and_the_rest_is_served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        now_s = asyncio.get_running_loop().time()
        monkeypatch.setattr(bench.site.limit, "_per_s", 1.0)  # so slow that no machine under load asks slower
        assert all(bench.site.limit.wait_s("127.0.0.1", now_s) == 0.0 for _ in range(int(BURST)))  # as if just asked
        answers = [answer for answer in await asyncio.gather(*(bench.http.get("/api/about") for _ in range(60)))]
        refused = [answer for answer in answers if answer.status_code == 429]
        assert refused and {answer.headers["retry-after"] for answer in refused} == {"1"}
        assert {answer.status_code for answer in answers} <= {200, 429}
        with pytest.raises(Exception, match="403"):  # an upgrade is a request too
            await asyncio.gather(*(bench.view() for _ in range(40)))
        # What other pages ask for is refused before it is counted.
        monkeypatch.setattr(bench.site.limit, "_per_s", PER_S)
        await asyncio.sleep(0.1)
        for _ in range(50):
            assert (await bench.http.get("/api/about", headers={"Origin": "http://elsewhere.test"})).status_code == 403
        assert (await bench.http.get("/api/about")).status_code == 200

    run(what, tmp_path, monkeypatch)


def test_a_cheap_request_counts_for_less() -> None:
    limit = RequestLimit(burst=2, per_s=1)
    assert [limit.wait_s("a", 10.0, 0.5) for _ in range(5)] == [0, 0, 0, 0, 0.5]
    assert limit.wait_s("a", 10.6, 1.0) == pytest.approx(0.4) and limit.wait_s("a", 10.6, 0.5) == 0.0


def test_a_page_may_be_opened_four_times_in_a_row_and_a_flood_of_its_files_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def what(bench: PageServer) -> None:
        monkeypatch.setattr(bench.site.limit, "_per_s", 0.01)
        asked = [*modules(bench.site.page), "/vendor/uplot.min.css"]
        for _ in range(4):
            for address in ["/", *asked]:
                assert (await bench.http.get(address)).status_code == 200
        now_s = asyncio.get_running_loop().time()
        while bench.site.limit.wait_s("127.0.0.1", now_s) == 0.0:
            pass  # as if it went on so
        answers = [(await bench.http.get("/vendor/uplot.min.css")).status_code for _ in range(6)]
        assert answers[-1] == 429
        monkeypatch.setattr(bench.site.limit, "_per_s", PER_S)

    run(what, tmp_path, monkeypatch)


def test_over_http_too_much_work_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        free = threading.Event()
        bench.site.work = WorkGate(at_once=1, waiting=1)
        held = [asyncio.create_task(bench.site.work.run(lambda: free.wait(5))) for _ in range(2)]
        await asyncio.sleep(0)
        answer = await bench.http.get("/api/sessions/anything/report")
        assert answer.status_code == 503 and "worked out for others" in answer.json()["sentence"]
        assert (await bench.http.get("/api/about")).status_code == 200
        free.set()
        await asyncio.gather(*held)
        assert (await bench.http.get("/api/sessions/anything/report")).status_code == 404

    run(what, tmp_path, monkeypatch)
