"""The as-left page: what it says, that hostile text stays text, and how a real browser takes it."""

from __future__ import annotations

import base64
import html.parser
import io
import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from PIL import Image

from gainkit import sheet as gainkit_sheet
from gainkit.job.log import log_reading, note_typed, void_reading
from gainkit.job.typed import Acceptance, FreeText, SupplyReading
from gainkit.schemas import schema_of
from gainkit.sheet import SheetMade, write_sheet
from tests.charts.drawing import ONSET
from tests.conftest import Answer
from tests.records import measured, noise, polarity, volume

NAMES = ("Front", "Rear", "Centre", "Subwoofer")

HOSTILE = {
    "markup": "</title></style></bdi><script>document.title='owned'</script><img src=x onerror=alert(1)>",
    "quotes": "\"'`><&amp;{{ 7*7 }}{% raw %}\\",
    "right to left": "\u202eright to left\u2066 \u05e9\u05dc\u05d5\u05dd \u200f",
    "emoji": "\U0001f697\U0001f50a\u200d\U0001f3fd e\u0301",
    "very long": "W" * 10_000,
    "control signs": "a\u0000b\u001b[31m\u0007\u2028c\td",
}


def quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False)


def job_of_four(folder: Path, text: str | None = None, log: bool = True) -> Path:
    """A four-channel job with readings; every text field of the system file holds `text` if given."""
    folder.mkdir()
    say = (lambda plain: quoted(plain)) if text is None else (lambda plain: quoted(f"{text}{plain}"[:10_050]))
    names = [name if text is None else f"{name} {text}" for name in NAMES]
    channels = "".join(
        f"""
[[channel]]
name = {quoted(name)}
rated_watts = {60 + 20 * number}
rated_ohms = 4
load_ohms = 4
speaker_watts = 200
overlap_db = 5
sensitivity_min_volts = 0.2
sensitivity_max_volts = 6
"""
        for number, name in enumerate(names)
    )
    (folder / "system.toml").write_text(
        f"[job]\ntitle = {say('Four channels')}\ntechnician = {say('R. Okafor')}\nvehicle = {say('Marlin')}\n"
        f"date = {say('2026-03-14')}\n[source]\nname = {say('Radio')}\npreamp_volts = 4.1\n"
        f"clean_position = {say('31')}\n[supply]\nvolts = 13.8\n{channels}",
        encoding="utf-8",
    )
    if log:
        for number, name in enumerate(names):
            volts = ((60 + 20 * number) * 4) ** 0.5
            log_reading(folder, "measure", name, measured(1.5 * volts, state="clipped"), [])
            log_reading(folder, "measure", name, measured(volts * (1.01 if number else 1.2)), [])
            log_reading(folder, "polarity", name, polarity("positive"), [])
        log_reading(folder, "onset", names[0], ONSET, [])
    return folder


class Page(html.parser.HTMLParser):
    """Tags in order, their attributes, and the text of the page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag in ("td", "th", "li", "p", "h2"):
            self.words.append(" ")

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())


def sheet(folder: Path) -> Path:
    out = folder / "sheet.html"
    write_sheet(folder, out)
    return out


# -- what it says ------------------------------------------------------------------------------------------


def test_every_target_stands_beside_its_reading(tmp_path: Path) -> None:
    text = Page(sheet(job_of_four(tmp_path / "job")).read_text(encoding="utf-8")).text
    assert "NOT DONE. Front: 1.6 dB too high." in text
    assert "Front 15.49 V 18.59 V clean NOT as planned" in text
    assert "Subwoofer 21.91 V 22.13 V clean on target" in text
    assert "23.24 V (+3.52 dB), clipped" in text  # as found
    assert "makers' instructions, local codes and licensed practice" in text
    assert "Rear: onset of clipping, match" in text
    assert "Rear, Centre, Subwoofer" not in text.split("Cautions of this system")[0]
    assert "Unplug the loudspeakers" in text


def test_an_empty_record_is_said_plainly(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    folder = job_of_four(tmp_path / "job", log=False)
    made = gainkit("sheet", folder, "--out", tmp_path / "page.html", "--json").json
    assert made["headline"] == "4 OF 4 OUTPUTS NOT MEASURED."
    text = Page((tmp_path / "page.html").read_text(encoding="utf-8")).text
    assert text.count("not measured") > 12
    assert "Front : level, onset of clipping, polarity, match" in text.replace("Front:", "Front :")


def test_pages_are_not_overwritten_unasked(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    folder = job_of_four(tmp_path / "job")
    out = tmp_path / "page.html"
    out.write_text("mine")
    assert "--overwrite" in gainkit("sheet", folder, "--out", out).refused()
    assert out.read_text() == "mine"
    assert gainkit("sheet", folder, "--out", out, "--overwrite").code == 0
    assert ".html" in gainkit("sheet", folder, "--out", tmp_path / "page.pdf").refused()
    assert "not a job folder" in gainkit("sheet", tmp_path, "--out", tmp_path / "b.html").refused()


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Page:
    """The page of the same job with ordinary text."""
    return Page(sheet(job_of_four(tmp_path_factory.mktemp("plain") / "job")).read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "text",
    [pytest.param(text, marks=() if name == "markup" else pytest.mark.long) for name, text in HOSTILE.items()],
    ids=HOSTILE,
)
def test_hostile_text_in_every_field_leaves_the_page_as_it_is(plain: Page, tmp_path: Path, text: str) -> None:
    found = Page(sheet(job_of_four(tmp_path / "job", text)).read_text(encoding="utf-8"))
    without_path = [tag for tag in plain.tags if tag not in ("text", "tspan")]
    assert [tag for tag in found.tags if tag not in ("text", "tspan")] == without_path
    assert not any(name.startswith("on") for name, _ in found.attributes)
    assert len(found.text) < len(plain.text) + 40 * 170
    assert "\x1b" not in found.text
    first = next(word for word in "".join(s if s.isprintable() else " " for s in text).split())
    assert first[:100] in found.text


# -- a real browser ----------------------------------------------------------------------------------------


def browse(chromium: str, page: Path, *options: str) -> str:
    """What the browser said of a page on its console."""
    done = subprocess.run(
        [
            chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
            "--no-first-run", "--enable-logging=stderr", f"--user-data-dir={page.parent / 'profile'}", *options,
            page.as_uri(),
        ],
        capture_output=True, text=True, check=True, timeout=600,
    )  # fmt: skip
    return "\n".join(line for line in done.stderr.splitlines() if "CONSOLE" in line)


def pages_of(pdf: Path) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf.read_bytes()))


@pytest.mark.long
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_a_browser_prints_four_channels_on_two_pages_without_a_word(
    tmp_path: Path, oracle: Callable[[str], str], paper: str
) -> None:
    page = sheet(job_of_four(tmp_path / "job"))
    page.write_text(page.read_text(encoding="utf-8").replace("size: auto", f"size: {paper}"), encoding="utf-8")
    pdf = tmp_path / "page.pdf"
    said = browse(oracle("chromium"), page, f"--print-to-pdf={pdf}", "--no-pdf-header-footer")
    assert said == ""
    assert 1 <= pages_of(pdf) <= 2


@pytest.mark.long
def test_the_browser_would_tell_an_outside_request(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    page = sheet(job_of_four(tmp_path / "job"))
    asking = page.read_text(encoding="utf-8").replace("<h1>", '<img src="http://127.0.0.1:9/x.png"><h1>', 1)
    page.write_text(asking, encoding="utf-8")
    assert "Content Security Policy" in browse(oracle("chromium"), page, f"--screenshot={tmp_path / 's.png'}")


@pytest.mark.long
def test_hostile_text_runs_nothing_in_a_browser(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    page = sheet(job_of_four(tmp_path / "job", HOSTILE["markup"]))
    assert browse(oracle("chromium"), page, f"--screenshot={tmp_path / 's.png'}", "--window-size=390,900") == ""


@pytest.mark.long
def test_the_page_claims_only_what_was_done(tmp_path: Path) -> None:
    folder = job_of_four(tmp_path / "job")

    def customer(name: str) -> str:
        write_sheet(folder, tmp_path / name)
        text = re.sub(r"<[^>]+>", "", (tmp_path / name).read_text())
        return " ".join(text[text.index("For the customer") : text.index("Measured:")].split())

    assert "is to be set" in customer("open.html")
    assert "not done yet" in customer("open2.html")
    assert "distorts" not in customer("open3.html")
    log_reading(folder, "measure", NAMES[0], measured((60 * 4) ** 0.5), [])
    assert "output was set so that" in customer("done.html")
    assert "distorts" not in customer("done2.html")
    log_reading(folder, "volume", None, volume(31, 4.1), [])
    assert "above, the source itself distorts" in customer("measured.html")


def test_a_reading_that_does_not_count_shows_no_figures(tmp_path: Path) -> None:
    folder = job_of_four(tmp_path / "job")
    log_reading(folder, "measure", NAMES[1], measured(17.77, steady_tone=False, frequency_hz=None), [])
    write_sheet(folder, tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text()
    assert "the last recording held no steady tone" in page
    assert "17.77" not in page


# -- as JSON -----------------------------------------------------------------------------------------------

SCHEMA = Path(gainkit_sheet.__file__).parent / "schema.json"


def test_the_page_as_json_is_what_its_schema_says(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    folder = job_of_four(tmp_path / "job")
    note_typed(folder, None, FreeText("customer wants the rear quiet"))
    note_typed(folder, None, SupplyReading(12.6, "battery", "idling"))
    void_reading(folder, 1, "lead was off")
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    assert schema == schema_of(SheetMade, "the as-left page as JSON"), "write it anew: python -m gainkit.sheet"
    made = gainkit("sheet", folder, "--out", tmp_path / "page.html", "--json").json
    jsonschema.Draft202012Validator(schema).validate(made)
    assert made["sheet"]["headline"] == made["headline"]
    assert [each["text"] for each in made["sheet"]["notes"]] == ["customer wants the rear quiet"]
    assert made["sheet"]["corrections"][0]["reason"] == "lead was off"
    broken = made | {"ok": "yes"}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema).validate(broken)


def test_photos_come_along_small_and_without_their_cameras_data(tmp_path: Path) -> None:
    folder = job_of_four(tmp_path / "job")
    (folder / "photos").mkdir()
    large = Image.new("RGB", (3000, 2000), "white")
    facts = Image.Exif()
    facts[0x010F] = "a camera's maker"
    large.save(folder / "photos" / "fuse.jpg", exif=facts)
    (folder / "photos" / "torn.png").write_bytes(b"no picture")
    page = sheet(folder).read_text(encoding="utf-8")
    (address,) = re.findall(r'src="data:image/jpeg;base64,([^"]+)"', page)
    kept = Image.open(io.BytesIO(base64.b64decode(address)))
    assert max(kept.size) == 1000
    assert not kept.getexif()
    assert "torn.png (cannot be read)" in page


# -- what stands in the way ----------------------------------------------------------------------------------


def test_danger_comes_first_and_what_was_accepted_is_not_called_on_target(tmp_path: Path) -> None:
    folder = job_of_four(tmp_path / "job")
    log_reading(folder, "measure", NAMES[0], measured((60 * 4) ** 0.5), [])
    log_reading(folder, "measure", NAMES[1], measured(20.0), [])
    note_typed(folder, NAMES[1], Acceptance("level_off_target", "the customer wants it so"))
    done = Page(sheet(folder).read_text(encoding="utf-8")).text
    assert "3 OF 4 OUTPUTS ON TARGET (within 0.5 dB). ACCEPTED: Rear: 1.0 dB too high." in done
    assert "Rear 17.89 V 20.00 V clean NOT on target, accepted" in done
    log_reading(folder, "measure", NAMES[3], measured(21.9, dc_volts=1.5), [])
    write_sheet(folder, tmp_path / "stop.html")
    text = Page((tmp_path / "stop.html").read_text(encoding="utf-8")).text
    assert "STOP. Subwoofer: DC of +1.5 V. Connect no loudspeaker." in text
    assert "Subwoofer 21.91 V 21.90 V clean STOP: danger" in text
    assert text.index("It can burn loudspeakers") < text.index("accepted: 1.0 dB too high")


@pytest.mark.long
def test_noise_and_response_stand_on_the_page_when_measured(tmp_path: Path) -> None:
    folder = job_of_four(tmp_path / "job")
    assert "Noise and response" not in Page(sheet(folder).read_text(encoding="utf-8")).text
    log_reading(folder, "noise", NAMES[2], noise("whine"), [])
    write_sheet(folder, tmp_path / "heard.html")
    text = Page((tmp_path / "heard.html").read_text(encoding="utf-8")).text
    assert "Centre whine 62 dB, A-weighted not measured" in text
    assert "Centre: whine heard" in text
