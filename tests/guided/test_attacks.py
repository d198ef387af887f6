"""What must not be possible: each attack as a raw request."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gainkit.bench.app import MOST_UPLOAD_BYTES, Bench
from gainkit.bench.desk import Desk
from gainkit.bench.keys import MOST_WRONG, Keys, TooManyWrong
from gainkit.job.folder import start_job
from tests.guided.asking import HOST, ORIGIN, Screen, ask
from tests.guided.conftest import SYSTEM

SCRIPT = "<script>alert(1)</script>"
IMAGE = "<img src=x onerror=alert(1)>"


@pytest.mark.parametrize(
    "host",
    ["evil.example:8321", "127.0.0.1", "127.0.0.1:9999", "", "127.0.0.1:8321.evil.example", "[::1]:8321"],
)
def test_a_name_that_was_turned_to_this_machine_is_refused(screen: Screen, host: str) -> None:
    headers = [("host", host), ("cookie", screen.cookie)]
    assert ask(screen.bench, "GET", "/", headers=headers).status == 421


def test_two_hosts_in_one_request_are_refused(screen: Screen) -> None:
    headers = [("host", HOST), ("host", "evil.example"), ("cookie", screen.cookie)]
    assert ask(screen.bench, "GET", "/", headers=headers).status == 421


@pytest.mark.parametrize(
    "more",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": f"https://{HOST}"},
        {"origin": f"http://{HOST}.evil.example"},
        {"origin": ORIGIN, "sec-fetch-site": "cross-site"},
    ],
)
def test_posts_from_other_pages_are_refused(screen: Screen, car: Path, more: dict[str, str]) -> None:
    headers = {"host": HOST, "cookie": screen.cookie, **more}
    answer = ask(screen.bench, "POST", "/do/seen", headers=headers.items(), body=[b"step=plan"])
    assert answer.status == 403
    assert not (car / "readings.jsonl").exists()


def test_posts_without_an_origin_are_refused(screen: Screen) -> None:
    headers = [("host", HOST), ("cookie", screen.cookie)]
    assert ask(screen.bench, "POST", "/do/seen", headers=headers, body=[b"step=plan"]).status == 403


@pytest.mark.parametrize(
    "path", ["/", "/now", "/events", "/sheet", "/tone", "/screen", "/bench.css", "/bench.js"]
)
def test_nothing_is_shown_without_a_cookie(bench: Bench, path: str) -> None:
    for cookie in ("", "gainkit=", "gainkit=wrong", 'gainkit="', "a=b; gainkit=" + "x" * 43):
        answer = ask(bench, "GET", path, headers=[("host", HOST), ("cookie", cookie)])
        assert answer.status == 401
        assert "Marlin" not in answer.text


def test_a_key_opens_once_and_its_cookie_is_closed_to_scripts_and_other_sites(bench: Bench) -> None:
    key = bench.keys.fresh()
    first = ask(bench, "GET", "/open", query=f"key={key}")
    assert first.status == 200
    cookie = first.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert key not in cookie
    assert ask(bench, "GET", "/open", query=f"key={key}").status == 401


def test_a_key_dies_with_its_time_and_with_the_server(
    bench: Bench, car: Path, desk_of: Callable[[Path], Desk]
) -> None:
    now = [0.0]
    keys = Keys(clock=lambda: now[0])
    key = keys.fresh(seconds=600)
    now[0] = 601.0
    assert keys.exchange(key, "a") is None
    screen = Screen.opened(bench)
    again = Bench(desk_of(car), Keys(), frozenset({HOST}))
    assert ask(again, "GET", "/", headers=[("host", HOST), ("cookie", screen.cookie)]).status == 401


def test_ten_thousand_wrong_keys_open_nothing_and_are_held_up(bench: Bench) -> None:
    statuses = [ask(bench, "GET", "/open", query=f"key={n}").status for n in range(60)]
    assert statuses[:MOST_WRONG] == [401] * MOST_WRONG
    assert set(statuses[MOST_WRONG:]) == {429}
    now = [0.0]
    keys = Keys(clock=lambda: now[0])
    looked_at = held_up = 0
    for number in range(10_000):
        try:
            assert keys.exchange(str(number), f"10.0.{number % 200}.1") is None
            looked_at += 1
        except TooManyWrong:
            held_up += 1
    assert (looked_at, held_up) == (100, 9_900)
    right = keys.fresh()
    with pytest.raises(TooManyWrong):
        keys.exchange(right, "10.9.9.9")
    now[0] = 61.0
    assert keys.exchange(right, "10.9.9.9") is not None


def test_a_screen_that_is_in_stays_in_while_others_guess(screen: Screen) -> None:
    for number in range(30):
        ask(screen.bench, "GET", "/open", query=f"key={number}")
    assert screen.get("/").status == 200


@pytest.mark.parametrize(
    "path",
    [
        "/../../etc/passwd", "/..%2f..%2fetc/passwd", "//etc/passwd", "/bench.css/../../system.toml",
        "/system.toml", "/readings.jsonl", "/static/bench.js", "/..\\..\\system.toml", "/bench.css\0.js",
        "/templates/page.html.j2", "/.env", "/do/../sheet",
    ],
)  # fmt: skip
def test_no_address_becomes_a_path(screen: Screen, path: str) -> None:
    answer = screen.get(path)
    assert answer.status in (404, 405)
    assert "root:" not in answer.text
    assert "channel" not in answer.text


@pytest.mark.parametrize("key", ["../../../etc/passwd", "gain-1/../..", "gain-99", SCRIPT, "gain-1\0", ""])
def test_no_step_becomes_a_path(screen: Screen, key: str) -> None:
    assert screen.do("go", step=key).status == 422
    assert screen.get("/tone", query="step=" + key.replace("<", "%3C")).status == 409


def test_an_upload_is_never_written_under_its_own_name(screen: Screen, car: Path) -> None:
    screen.do("confirm", step="gain-1")
    trace = "time,V\n" + "\n".join(f"{n / 48000:.9f},{20 * (n % 48 - 24) / 24}" for n in range(4800))
    before = {each for each in car.rglob("*") if each.is_file()}
    query = "step=gain-1&name=..%2F..%2F..%2Ftmp%2Fevil.sh&label=..%2F..%2Fx"
    answer = screen.post("/capture", [trace.encode()], query=query)
    assert answer.status == 200
    assert {each for each in car.rglob("*") if each.is_file()} == before
    assert screen.do("keep", step="gain-1").status == 200
    made = {each for each in car.rglob("*") if each.is_file()} - before
    assert [each.relative_to(car).as_posix() for each in sorted(made)] == ["captures/gain_front-left_x_1.csv"]


def test_a_gigabyte_is_refused_before_it_is_taken(screen: Screen) -> None:
    screen.do("confirm", step="gain-1")

    def gigabyte() -> Iterator[bytes]:
        part = b"\0" * 1_000_000
        for _ in range(1000):
            yield part

    told = screen.post("/capture", gigabyte(), query="step=gain-1", **{"content-length": "1000000000"})
    assert (told.status, told.taken_bytes) == (413, 0)
    hidden = screen.post("/capture", gigabyte(), query="step=gain-1")  # without telling its length
    assert hidden.status == 413
    assert hidden.taken_bytes <= MOST_UPLOAD_BYTES + 2_000_000


def test_a_form_as_large_as_a_book_is_refused(screen: Screen) -> None:
    assert screen.post("/do/who", [b"who=" + b"x" * 1_000_000]).status == 413
    assert screen.post("/do/who", [b"&".join(b"a%d=1" % n for n in range(1000))]).status == 413


def test_every_answer_forbids_scripts_from_elsewhere_and_inline(screen: Screen) -> None:
    for path in ("/", "/now", "/bench.js", "/nothing-here"):
        policy = screen.get(path).headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
    sheet = screen.get("/sheet").headers["content-security-policy"]
    assert "script-src" not in sheet
    assert "default-src 'none'" in sheet
    page = screen.get("/").text
    assert "style=" not in page
    assert "onclick" not in page
    assert "http://" not in page
    assert "https://" not in page


def test_script_in_every_name_is_shown_as_text(tmp_path: Path, desk_of: Callable[[Path], Desk]) -> None:
    system = tmp_path / "system.toml"
    hostile = SYSTEM.replace("Front", SCRIPT).replace("left", IMAGE).replace("R. Okafor", SCRIPT)
    system.write_text(hostile.replace("Marlin 2.0 estate", SCRIPT).replace("31", f'"{SCRIPT}"'))
    start_job(tmp_path / "car", system)
    bench = Bench(desk_of(tmp_path / "car"), Keys(), frozenset({HOST}))
    screen = Screen.opened(bench)
    screen.do("who", who=SCRIPT)
    texts = [screen.get("/").text]
    for step in bench.desk.steps():
        texts.append(screen.do("confirm", step=step.key).text)
        texts.append(screen.do("go", step=step.key).text)
        texts.append(screen.do("seen", step=step.key).text)
    texts.append(screen.do("level", step="gain-1", volts="16").text)
    texts.append(screen.do("keep", step="gain-1").text)
    texts.append(screen.post("/capture", [b"no capture"], query=f"step=gain-1&name={SCRIPT}").text)
    texts.append(screen.do("level", step=SCRIPT, volts=SCRIPT).text)
    texts.append(screen.do("level", step="gain-1", volts=SCRIPT).text)
    texts.append(screen.get("/sheet").text)
    assert any("&lt;script&gt;" in each for each in texts)
    for each in texts:
        assert "<script>alert" not in each
        assert "<img src=x" not in each


def test_nothing_is_played_or_read_before_the_cautions_are_confirmed(screen: Screen, car: Path) -> None:
    assert screen.get("/tone", query="step=gain-1").status == 409
    assert screen.do("level", step="gain-1", volts="16").status == 422
    assert screen.post("/capture", [b"x"], query="step=gain-1").status == 422
    assert screen.do("keep", step="gain-1").status == 422
    assert not (car / "readings.jsonl").exists()


@pytest.mark.parametrize("volts", ["nan", "inf", "-5", "1e999", "0", "16 A", "1,500", "16 16"])
def test_figures_that_are_none_are_refused(screen: Screen, car: Path, volts: str) -> None:
    screen.do("confirm", step="gain-1")
    assert screen.do("level", step="gain-1", volts=volts).status == 422
    assert screen.do("level", step="gain-1", volts="17,3 V").status == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "CONNECT"])
def test_other_methods_are_refused(screen: Screen, method: str) -> None:
    headers = [("host", HOST), ("cookie", screen.cookie), ("origin", ORIGIN)]
    assert ask(screen.bench, method, "/do/seen", headers=headers).status == 405
