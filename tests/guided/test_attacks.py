"""What must not be possible: each attack as a raw request."""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
import soundfile

from gainkit.bench import arrivals
from gainkit.bench.addresses import Addresses
from gainkit.bench.app import MOST_UPLOAD_BYTES, Bench
from gainkit.bench.desk import Desk
from gainkit.bench.keys import MOST_WRONG, Keys, TooManyWrong
from gainkit.bench.sources import MOST_WATCHED_BYTES, WatchedFolder, _no_link
from gainkit.job.folder import start_job
from tests.guided.asking import HOST, ORIGIN, PORT, Screen, ask
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


@pytest.mark.parametrize(
    "ahead", [("sec-purpose", "prefetch;prerender"), ("purpose", "prefetch"), ("x-purpose", "preview")]
)
def test_a_preview_does_not_use_a_key_up(bench: Bench, ahead: tuple[str, str]) -> None:
    """A phone that shows what lies behind a code before a person opens it."""
    key = bench.keys.fresh()
    looked = ask(bench, "GET", "/open", query=f"key={key}", headers=[("host", HOST), ahead])
    assert looked.status == 503
    assert "set-cookie" not in looked.headers
    assert ask(bench, "GET", "/open", query=f"key={key}").status == 200


def test_a_key_dies_with_its_time_and_with_the_server(
    bench: Bench, car: Path, desk_of: Callable[[Path], Desk]
) -> None:
    now = [0.0]
    keys = Keys(clock=lambda: now[0])
    key = keys.fresh(seconds=600)
    now[0] = 601.0
    assert keys.exchange(key, "a") is None
    screen = Screen.opened(bench)
    again = Bench(desk_of(car), Keys(), Addresses(PORT))
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
    bench = Bench(desk_of(tmp_path / "car"), Keys(), Addresses(PORT))
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


# ---- cookies and keys ---------------------------------------------------------------------------------------


def test_a_cookie_that_was_read_in_the_network_is_good_from_its_own_address_only(screen: Screen) -> None:
    headers = [("host", HOST), ("cookie", screen.cookie)]
    assert ask(screen.bench, "GET", "/", headers=headers, client="10.0.0.7").status == 200
    assert ask(screen.bench, "GET", "/", headers=headers, client="10.0.0.8").status == 401


def test_cookies_of_other_programs_and_other_jobs_do_not_stand_in_the_way(
    screen: Screen, car: Path, desk_of: Callable[[Path], Desk]
) -> None:
    for before in (
        'a={"x":"\u00e9"}; ',
        "=; ; ;;",
        'broken="; ',
        "gainkit=1; gainkit-1=2; ",
        "\t",
        "x=" + "y" * 4000 + "; ",
    ):
        headers = [("host", HOST), ("cookie", before + screen.cookie)]
        assert ask(screen.bench, "GET", "/", headers=headers).status == 200
    name = screen.cookie.partition("=")[0]
    tossed = [("host", HOST), ("cookie", f"{name}=planted; {screen.cookie}")]
    assert ask(screen.bench, "GET", "/", headers=tossed).status == 200
    other = Screen.opened(Bench(desk_of(car), Keys(), Addresses(8322)), "127.0.0.1:8322")
    assert other.cookie.partition("=")[0] != name  # two jobs at once on one machine


def test_guesses_from_the_network_do_not_keep_the_machine_itself_out() -> None:
    keys = Keys(clock=lambda: 0.0)
    for number in range(200):
        with contextlib.suppress(TooManyWrong):
            keys.exchange(str(number), f"10.0.{number}.1")
    with pytest.raises(TooManyWrong):
        keys.exchange(keys.fresh(), "10.9.9.9")
    assert keys.exchange(keys.fresh(), "127.0.0.1") is not None


def test_codes_that_nobody_scanned_are_forgotten() -> None:
    now = [0.0]
    keys = Keys(clock=lambda: now[0])
    for _ in range(50):
        keys.fresh()
        now[0] += 100.0
    assert len(keys._keys) <= 7


# ---- bodies and names ---------------------------------------------------------------------------------------


def test_a_body_of_many_parts_is_no_form(screen: Screen, car: Path) -> None:
    edge = b"--x\r\nContent-Disposition: form-data; name=step\r\n\r\nplan\r\n"
    kind = {"content-type": "multipart/form-data; boundary=x"}
    assert screen.post("/do/seen", [edge + b"--x--\r\n"], **kind).status == 422
    assert screen.post("/do/seen", [edge] * 10_000, **kind).status == 413
    assert not (car / "readings.jsonl").exists()


def test_packed_silence_of_hours_is_refused_at_once(screen: Screen) -> None:
    screen.do("confirm", step="routing")
    silence = io.BytesIO()
    with soundfile.SoundFile(silence, "w", 8000, 1, "PCM_16", format="FLAC") as file:
        for _ in range(20):
            file.write(np.zeros(8000 * 60, np.int16))
    assert len(silence.getvalue()) < 100_000
    answer = screen.post("/capture", [silence.getvalue()], query="step=routing&name=long.flac")
    assert answer.status == 422
    assert "longer than 900 s" in answer.text


@pytest.mark.parametrize(
    "data",
    [
        b"PK\x03\x04" + b"\0" * 1000, b"\x1f\x8b\x08" + b"\0" * 1000, b"BZh9" + b"\0" * 1000,
        b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\x01\0\xff\xff\xff\xff\xff\xff" + b"\xff" * 100,
        b"fLaC" + b"\xff" * 1000, b"OggS" + b"\0" * 1000, b"\x1aE\xdf\xa3" + b"\xff" * 1000,
        b"\0\0\0\x18ftypM4A " + b"\xff" * 1000, b"ID3\x04\0\0\x7f\x7f\x7f\x7f", b"#!AMR\n" + b"\xff" * 100,
        b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b SYSTEM 'file:///etc/passwd'>]><a>&b;</a>",
        b"#EXTM3U\nfile:///etc/passwd\n", b"=cmd|' /C calc'!A0,1\n", b"\xef\xbb\xbf", b"\xff\xfe" * 500,
    ],
)  # fmt: skip
def test_a_file_that_lies_about_what_it_is_leaves_nothing(screen: Screen, car: Path, data: bytes) -> None:
    screen.do("confirm", step="routing")
    before = {each for each in car.rglob("*") if each.is_file()}
    answer = screen.post("/capture", [data], query="step=routing&name=a.wav")
    assert answer.status == 422
    assert "root:" not in answer.text
    assert {each for each in car.rglob("*") if each.is_file()} == before


def test_recordings_that_are_never_kept_do_not_fill_the_machine(
    screen: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arrivals, "MOST_WAITING_BYTES", 300_000)
    wave = io.BytesIO()
    time = np.arange(48_000) / 48_000
    soundfile.write(wave, np.sin(2 * np.pi * 997 * time), 48_000, format="WAV", subtype="PCM_16")
    told = [
        screen.post("/capture", [wave.getvalue()], query=f"step=volume&label={position}").status
        for position in range(5)
    ]
    assert told == [200, 200, 200, 422, 422]
    assert screen.do("drop", step="volume").status == 200
    assert screen.post("/capture", [wave.getvalue()], query="step=volume&label=1").status == 200


@pytest.mark.parametrize(
    "name",
    [
        "\u202egnp.exe \u2066a\u2069 b\u200b\u200bc \u0000", "Ä\u0308" * 30, "\ud800 \U0001f50a",
        "a\r\nSet-Cookie: x=1", "../CON", "左/右 𝐹ront", "' OR 1=1 -- {{7*7}} %s%n",
    ],
)  # fmt: skip
def test_names_of_any_script_steer_no_screen(screen: Screen, car: Path, name: str) -> None:
    quoted = quote(name, errors="surrogatepass")
    assert screen.post("/do/who", [b"who=" + quoted.encode()]).status == 200
    screen.do("confirm", step="gain-1")
    trace = "time,V\n" + "\n".join(f"{n / 48000:.9f},{20 * (n % 48 - 24) / 24}" for n in range(4800))
    answer = screen.post("/capture", [trace.encode()], query=f"step=gain-1&name={quoted}&label={quoted}")
    assert answer.status == 200
    assert screen.do("keep", step="gain-1").status == 200
    text = screen.get("/").text
    assert "49" not in text or "{{" not in name
    for steering in "\u202e\u2066\u200b\0":
        assert steering not in text
    assert "set-cookie" not in answer.headers
    kept = [each.name for each in (car / "captures").iterdir()]
    assert all(each.isascii() and each.startswith("gain_front-left_") for each in kept), kept


def test_a_pipe_or_a_link_in_the_watched_folder_is_left_alone(desk: Desk, tmp_path: Path) -> None:
    folder = tmp_path / "saved"
    folder.mkdir()
    desk.go("gain-1")
    desk.confirm("gain-1")
    watched = WatchedFolder(desk, folder)
    os.mkfifo(folder / "pipe.wav")
    (folder / "system.csv").symlink_to("/etc/passwd")
    (folder / "far.wav").symlink_to(folder / "pipe.wav")
    for each in ("pipe.wav", "system.csv", "far.wav"):
        watched.saved(folder / each)
    with pytest.raises(OSError):
        _no_link(str(folder / "system.csv"), os.O_RDONLY)  # put there after it was looked at
    assert desk.fault is None
    (folder / "huge.wav").write_bytes(b"")
    os.truncate(folder / "huge.wav", MOST_WATCHED_BYTES + 1)
    watched.saved(folder / "huge.wav")
    assert desk.fault is not None
    assert desk.fault.code == "upload_too_large"
