"""What screens share, and where readings come from: files, a watched folder, an interface."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
import soundfile

from gainkit.bench.addresses import Addresses
from gainkit.bench.app import Bench
from gainkit.bench.desk import Desk
from gainkit.bench.keys import Keys
from gainkit.bench.serve import ServeOptions, opened
from gainkit.bench.simulated import Simulation
from gainkit.bench.sources import LiveFeed, WatchedFolder
from gainkit.bench.view import live_view, page_view
from gainkit.capture.calibration import Calibration
from gainkit.errors import GainkitError
from gainkit.job.listing import list_readings
from gainkit.job.log import note_typed
from gainkit.job.opening import open_job
from gainkit.job.places import JobFolder
from gainkit.job.record import read_events
from gainkit.job.standing import job_status
from gainkit.job.typed import TypedLevel
from gainkit.live import InputSettings
from tests.guided.asking import PORT, Screen, ask

RATE = 48_000
FULL_SCALE_VOLTS = 60.0


def calibrate(car: Path) -> None:
    known = Calibration(FULL_SCALE_VOLTS, 1, float(RATE), "2026-03-14", "by a meter")
    JobFolder(car).calibration.write_text(known.as_toml())


def tone(volts: float, seconds: float, frequency_hz: float = 997.0) -> np.ndarray:
    time_seconds = np.arange(round(seconds * RATE)) / RATE
    wave = np.sqrt(2) * volts / FULL_SCALE_VOLTS * np.sin(2 * np.pi * frequency_hz * time_seconds)
    hiss = np.random.default_rng(5).normal(0, 1e-5, len(wave))
    return np.asarray((wave + hiss)[:, np.newaxis], np.float32)


def recording(path: Path, volts: float) -> Path:
    soundfile.write(path, tone(volts, 0.5), RATE, subtype="PCM_24")
    return path


def at_gain(desk: Desk, key: str = "gain-1") -> None:
    desk.go(key)
    desk.confirm(key)


def blocks(wave: np.ndarray, size: int = 1024) -> Iterator[np.ndarray]:
    for first in range(0, len(wave), size):
        yield wave[first : first + size]


SETTINGS = InputSettings("line input", float(RATE), 1)


def test_what_is_kept_is_what_was_seen(desk: Desk, bench: Bench, screen: Screen, car: Path) -> None:
    """Two screens: one types anew while the other presses 'Keep' for what stood there before."""
    at_gain(desk)
    screen.do("level", step="gain-1", volts="17.3")
    seen = desk.pending("gain-1")
    assert seen is not None
    assert f'name="reading" value="{seen.number}"' in screen.get("/now").text
    Screen.opened(bench).do("level", step="gain-1", volts="30")
    late = screen.do("keep", step="gain-1", reading=seen.number)
    assert late.status == 422
    assert "Another reading has come" in late.text
    assert screen.do("drop", step="gain-1", reading=seen.number).status == 422
    now = desk.pending("gain-1")
    assert now is not None
    assert screen.do("keep", step="gain-1", reading=now.number).status == 200
    assert [each.result.volts for each in open_job(car).readings if each.kind == "level"] == [30.0]


def test_a_hundred_taps_at_once_write_one_line(desk: Desk, bench: Bench, car: Path) -> None:
    at_gain(desk)
    screens = [Screen.opened(bench) for _ in range(4)]
    desk.typed("gain-1", TypedLevel(25.0))
    pending = desk.pending("gain-1")
    assert pending is not None

    def tap(number: int) -> int:
        return screens[number % 4].do("keep", step="gain-1", reading=pending.number).status

    with ThreadPoolExecutor(16) as taps:
        statuses = sorted(taps.map(tap, range(100)))
    assert statuses == [200] + [422] * 99
    levels = [each for each in open_job(car).readings if each.kind == "level"]
    assert len(levels) == 1
    undo = [("undo", levels[0].number)] * 20
    with ThreadPoolExecutor(16) as taps:
        told = list(taps.map(lambda each: screens[0].do(each[0], number=each[1]).status, undo))
    assert sorted(told) == [200] + [422] * 19
    assert [each.kind for each in read_events(car)[0]].count("void") == 1


# ---- the desk -----------------------------------------------------------------------------------------------


def test_a_server_that_was_killed_goes_on_where_it_was(
    desk: Desk, car: Path, desk_of: Callable[[Path], Desk]
) -> None:
    for key in ("plan", "stick", "calibrate", "volume"):
        desk.seen(key)
    at_gain(desk)
    desk.typed("gain-1", TypedLevel(17.3))
    desk.keep("gain-1")
    assert desk.current == "gain-2"
    again = desk_of(car)
    assert again.current == "gain-2"
    assert again.step("gain-1").state == "settled"
    assert again.step("gain-1").unconfirmed == ()


def test_a_second_technician_sees_who_did_what(bench: Bench, screen: Screen) -> None:
    other = Screen.opened(bench)
    screen.do("who", who="A. Lind")
    screen.do("confirm", step="gain-1")
    other.do("level", step="gain-1", volts="17.3")
    screen.do("keep", step="gain-1")
    page = other.get("/").text
    assert "A. Lind" in page
    readings = list_readings(bench.desk.folder).readings
    assert [each.who for each in readings] == ["A. Lind", "A. Lind"]
    other.do("undo", number=readings[-1].number)
    assert list_readings(bench.desk.folder).readings[-1].who is None


def test_what_another_program_writes_to_the_record_shows(bench: Bench, car: Path, screen: Screen) -> None:
    screen.do("go", step="gain-2")
    before = bench.desk.version
    note_typed(car, "Front/right", TypedLevel(25.0))
    bench.desk.glance()
    bench.desk.glance()
    assert bench.desk.version == before + 1  # every screen fetches the page anew, once
    page = screen.get("/").text
    assert "MISSES ITS TARGET" in page
    assert "NOT RIGHT" in page


def test_undo_voids_and_goes_back(desk: Desk, car: Path) -> None:
    at_gain(desk)
    desk.typed("gain-1", TypedLevel(17.3))
    desk.keep("gain-1")
    assert desk.kept is not None
    assert desk.kept.number is not None
    desk.undo(desk.kept.number)
    assert desk.current == "gain-1"
    assert job_status(car).outputs[0].level is None
    with pytest.raises(GainkitError) as twice:
        desk.undo(2)
    assert twice.value.code == "void_already"


def test_the_job_s_own_files_that_break_are_told_not_crashed_over(screen: Screen, car: Path) -> None:
    whole = (car / "system.toml").read_text()
    (car / "system.toml").write_text(whole + "\n[nonsense]\n")
    answer = screen.get("/")
    assert answer.status == 503
    assert "unknown table" in answer.text
    (car / "system.toml").write_text(whole)
    assert screen.get("/").status == 200


# ---- files --------------------------------------------------------------------------------------------------


def test_a_recording_sent_is_judged_kept_and_named_in_the_record(
    screen: Screen, car: Path, tmp_path: Path
) -> None:
    calibrate(car)
    screen.do("confirm", step="gain-1")
    screen.do("go", step="gain-1")
    data = recording(tmp_path / "left.wav", 20.0).read_bytes()
    answer = screen.post("/capture", [data[:1000], data[1000:]], query="step=gain-1&name=left.wav")
    assert "Turn DOWN 1.2 dB" in answer.text
    assert "left.wav" in answer.text
    screen.do("keep", step="gain-1")
    level = job_status(car).outputs[0].level
    assert level is not None
    assert level.rms_volts == pytest.approx(20.0, rel=1e-3)
    assert [Path(each).name for each in level.captures] == ["gain_front-left_1.wav"]
    assert (car / "captures" / "gain_front-left_1.wav").read_bytes() == data


def test_an_oscilloscope_s_trace_is_read_in_volts(screen: Screen) -> None:
    screen.do("confirm", step="gain-1")
    screen.do("go", step="gain-1")
    rows = [f"{n / RATE:.9f},{20 * np.sqrt(2) * np.sin(2 * np.pi * 997 * n / RATE):.6f}" for n in range(4800)]
    answer = screen.post("/capture", ["\n".join(["Time (s),CH1 (V)", *rows]).encode()], query="step=gain-1")
    assert "20.00 V" in answer.text
    assert "Turn DOWN 1.2 dB" in answer.text


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg makes the voice memo")
def test_a_voice_memo_tells_polarity(screen: Screen, tmp_path: Path) -> None:
    pytest.importorskip("av")
    from tests.guided.recordings import Recordings

    wave = Recordings(tmp_path).pulses("cone.wav", -1.0)
    memo = tmp_path / "Memo 1.m4a"
    subprocess.run(["ffmpeg", "-v", "error", "-i", wave, "-c:a", "aac", "-b:a", "96k", memo], check=True)
    screen.do("confirm", step="polarity-1")
    screen.do("go", step="polarity-1")
    answer = screen.post(
        "/capture", [memo.read_bytes()], query=urlencode({"step": "polarity-1", "name": memo.name})
    )
    assert "NEGATIVE" in answer.text
    assert "Memo 1.m4a" in answer.text


def test_what_cannot_be_read_is_told_and_leaves_nothing(screen: Screen, car: Path) -> None:
    screen.do("confirm", step="gain-1")
    for data in (b"", b"\x89PNG\r\n" + b"\0" * 400, b"RIFF\x00\x00\x00\x00WAVEfmt ", b"hello\nworld\n"):
        answer = screen.post("/capture", [data], query="step=gain-1")
        assert answer.status == 422
        assert 'role="alert"' in answer.text
    assert list((car / "captures").iterdir()) == []


def test_a_position_is_asked_for_where_several_are_wanted(screen: Screen, tmp_path: Path) -> None:
    data = recording(tmp_path / "v.wav", 2.0).read_bytes()
    assert screen.post("/capture", [data], query="step=volume&label=").status == 422
    assert screen.post("/capture", [data], query="step=volume&label=28").status == 200


# ---- a watched folder ---------------------------------------------------------------------------------------


def test_a_capture_saved_by_another_program_comes_to_the_step(desk: Desk, car: Path, tmp_path: Path) -> None:
    calibrate(car)
    at_gain(desk)
    folder = tmp_path / "scope"
    folder.mkdir()
    watched = WatchedFolder(desk, folder)
    watched.saved(recording(folder / "trace.wav", 20.0))
    pending = desk.pending("gain-1")
    assert pending is not None
    assert str(pending.look.large) == "Turn DOWN 1.2 dB"
    (folder / "notes.pdf").write_bytes(b"%PDF")
    (folder / "link.wav").symlink_to(car / "system.toml")
    for name in ("notes.pdf", "link.wav", "gone.wav"):
        watched.saved(folder / name)
    assert desk.pending("gain-1") is pending
    assert desk.fault is None
    (folder / "empty.csv").write_text("no,trace\n")
    watched.saved(folder / "empty.csv")
    assert desk.fault is not None
    with pytest.raises(GainkitError):
        WatchedFolder(desk, tmp_path / "nothing")


# ---- an interface -------------------------------------------------------------------------------------------


def test_live_follows_the_tone_and_keep_writes_what_it_shows(desk: Desk, car: Path) -> None:
    calibrate(car)
    at_gain(desk)
    feed = LiveFeed(desk, lambda: None)
    told: list[str] = []
    desk.listeners.append(
        lambda: told.append(str(live_view(desk)["look"] and live_view(desk)["look"]["large"]))
    )
    feed.read(blocks(np.concatenate([tone(20.0, 1.0), tone(17.3, 1.0)])), SETTINGS)
    assert told[0] in ("Turn DOWN 1.2 dB", "Turn DOWN 1.3 dB")
    assert told[-1] == "On target"
    assert len(told) < 16  # what stands still is not measured ten times a second
    desk.keep("gain-1")
    level = job_status(car).outputs[0].level
    assert level is not None
    assert level.rms_volts == pytest.approx(17.3, rel=1e-3)
    assert list_readings(car).readings[-1].origin == "live"


def test_live_says_nothing_of_an_output_whose_cautions_are_not_confirmed(desk: Desk, car: Path) -> None:
    calibrate(car)
    desk.go("gain-1")
    LiveFeed(desk, lambda: None).read(blocks(tone(17.3, 0.5)), SETTINGS)
    assert live_view(desk)["look"] is None
    with pytest.raises(GainkitError) as refused:
        desk.keep("gain-1")
    assert refused.value.code == "not_confirmed"


def test_without_calibration_live_turns_nothing_and_cannot_be_kept_for_a_level(desk: Desk) -> None:
    at_gain(desk)
    LiveFeed(desk, lambda: None).read(blocks(tone(17.3, 0.5)), SETTINGS)
    view = page_view(desk, None)
    assert view["live"]["look"]["large"] == "Volts not known: calibrate"
    assert view["can_keep"] is False


class Unplugged:
    """An interface that goes away after some blocks, and comes back when it is opened again."""

    name, sample_rate_hz, channels = "line input", float(RATE), 1
    opened = 0

    def __init__(self, feed_of: list[LiveFeed]) -> None:
        self.feeds = feed_of

    def __iter__(self) -> Iterator[Any]:
        yield from blocks(tone(17.3, 0.4))
        Unplugged.opened += 1
        if Unplugged.opened == 2:
            self.feeds[0]._stop.set()
        raise GainkitError("interface_gone", "device", self.name)

    def close(self) -> None:
        pass


def test_an_interface_that_is_unplugged_is_told_and_comes_back(
    desk: Desk, car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gainkit.bench.sources.AGAIN_SECONDS", 0.0)
    calibrate(car)
    at_gain(desk)
    Unplugged.opened = 0
    states: list[str] = []
    feeds: list[LiveFeed] = []
    feed = LiveFeed(desk, lambda: Unplugged(feeds))
    feeds.append(feed)
    desk.listeners.append(lambda: states.append(desk.live.state))
    feed._run()
    assert [state for state, before in zip(states, ["", *states], strict=False) if state != before] == [
        "on", "lost", "on", "lost",
    ]  # fmt: skip


class Hasty:
    """Blocks of an interface of which the machine loses one on the way, or that goes away."""

    def __init__(self, *, goes: bool) -> None:
        self.lost, self.goes = 0, goes

    def __iter__(self) -> Iterator[np.ndarray]:
        for number, each in enumerate(blocks(tone(17.3, 1.0))):
            if number == 20 and self.goes:
                raise GainkitError("interface_gone", "device", "line input")
            self.lost += number == 20
            yield each


@pytest.mark.parametrize("goes", [False, True])
def test_a_recording_with_a_gap_is_not_read(desk: Desk, car: Path, goes: bool) -> None:
    calibrate(car)
    at_gain(desk)

    class Interface(Hasty):
        name, sample_rate_hz, channels = "line input", float(RATE), 1

        def __iter__(self) -> Iterator[np.ndarray]:
            yield from blocks(tone(17.3, 0.3))
            feed.record("gain-1", 0.5)
            yield from super().__iter__()
            feed._stop.set()

        def close(self) -> None:
            feed._stop.set()

    feed = LiveFeed(desk, lambda: Interface(goes=goes))
    feed._run()
    assert desk.pending("gain-1") is None
    assert desk.fault is not None
    assert desk.fault.code == "recording_has_gaps"


@pytest.mark.long
def test_play_and_record_finds_the_onset_without_a_stick(desk: Desk, car: Path) -> None:
    from gainkit.demo.bench import track_of
    from gainkit.generator.spec import ToneSpec

    calibrate(car)
    at_gain(desk, "onset-1")
    spec = ToneSpec("staircase", frequency_hz=997.0, from_dbfs=-20, to_dbfs=0, step_db=1, dwell_seconds=1)
    wave = np.concatenate([np.zeros(RATE // 2), 0.8 * track_of(spec), np.zeros(RATE)])[:, np.newaxis]
    played = np.clip(wave, -0.5, 0.5).astype(np.float32)
    hiss = np.random.default_rng(2).normal(0, 1e-5, played.shape).astype(np.float32)
    feed = LiveFeed(desk, lambda: None)
    feed.read(blocks(tone(1.0, 0.3)), SETTINGS)
    feed.record("onset-1", len(played) / RATE)
    monotone = blocks(played + hiss, 48_000)
    feed.read(monotone, SETTINGS)
    pending = desk.pending("onset-1")
    assert pending is not None
    assert pending.taken.origin == "live"
    expected = 20 * np.log10(0.5 / 0.8)
    assert pending.taken.result.onset_dbfs == pytest.approx(expected + 0.25, abs=0.1)


# ---- starting -----------------------------------------------------------------------------------------------


def test_the_server_listens_on_this_machine_only_unless_a_phone_is_asked_for(car: Path) -> None:
    with opened(ServeOptions(car)) as running:
        assert running.addresses.phone is None
        assert running.addresses.local.startswith("http://127.0.0.1:")
        with pytest.raises(GainkitError) as used, opened(ServeOptions(car, port=running.addresses.port)):
            pass
        assert used.value.code == "address_in_use"


def test_without_a_phone_no_code_is_made(screen: Screen) -> None:
    page = screen.get("/screen").text
    assert "Only this machine is served" in page
    assert "<svg" not in page


def test_a_screen_is_added_by_a_code_that_opens_once(desk: Desk) -> None:
    bench = Bench(desk, Keys(), Addresses(PORT, True, lambda: "127.0.0.1"))
    page = Screen.opened(bench).get("/screen").text
    assert "<svg" in page
    key = page.split("/open?key=")[1].split("<")[0]
    assert bench.keys.exchange(key, "a") is not None
    assert bench.keys.exchange(key, "a") is None


def test_the_code_follows_the_laptop_into_another_network(desk: Desk) -> None:
    """The code shows the address of now, and only that is a host beside the machine's own (RFC 5737 names)."""
    now: list[str | None] = ["192.0.2.7"]
    bench = Bench(desk, Keys(), Addresses(PORT, True, lambda: now[0]))
    screen = Screen.opened(bench)
    assert f"http://192.0.2.7:{PORT}/open" in screen.get("/screen").text
    now[0] = "198.51.100.4"
    assert f"http://198.51.100.4:{PORT}/open" in screen.get("/screen").text
    cookie = ("cookie", screen.cookie)
    assert ask(bench, "GET", "/", headers=[("host", f"192.0.2.7:{PORT}"), cookie]).status == 421
    assert ask(bench, "GET", "/", headers=[("host", f"198.51.100.4:{PORT}"), cookie]).status == 200
    now[0] = None
    assert "<svg" not in screen.get("/screen").text


def test_simulated_readings_keep_to_a_job_of_their_own(car: Path, tmp_path: Path) -> None:
    with opened(ServeOptions(car, simulate=True)) as running:
        assert running.bench.simulation is not None
    with pytest.raises(GainkitError) as real, opened(ServeOptions(car)):
        pass
    assert real.value.code == "job_is_simulated"
    with opened(ServeOptions(car, simulate=True)):
        pass
    texts = [each.figures for each in list_readings(car).readings]
    assert any("no car was connected" in each for each in texts)


def test_real_readings_are_not_followed_by_simulated_ones(desk: Desk, car: Path) -> None:
    desk.seen("plan")
    with pytest.raises(GainkitError) as refused, opened(ServeOptions(car, simulate=True)):
        pass
    assert refused.value.code == "simulate_needs_own_job"


@pytest.mark.parametrize(
    ("db", "large"), [(3.0, "Turn DOWN 3.0 dB"), (0.0, "On target"), (-2.0, "Turn UP 2.0 dB")]
)
def test_the_simulated_knob_reads_as_it_stands(desk: Desk, db: float, large: str) -> None:
    simulation = Simulation(desk)
    at_gain(desk, "gain-3")
    simulation.turn(db)
    assert live_view(desk)["look"]["large"] == large
    with pytest.raises(GainkitError):
        simulation.turn(float("nan"))
    with pytest.raises(GainkitError):
        simulation.turn(21.0)
