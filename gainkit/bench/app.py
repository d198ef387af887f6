"""The addresses of the bench. Each does one thing to the desk and shows the page; nothing here judges."""

from __future__ import annotations

import asyncio
import functools
import io
import json
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from gainkit.bench.addresses import Addresses
from gainkit.bench.desk import Desk
from gainkit.bench.guard import SHEET_POLICY, Guard
from gainkit.bench.keys import Keys, Session
from gainkit.bench.lines import Lines
from gainkit.bench.simulated import Simulation
from gainkit.bench.sources import LiveFeed
from gainkit.bench.view import fault_view, live_view, page_view
from gainkit.bench.words import LANGUAGE, WORDS
from gainkit.errors import GainkitError
from gainkit.figures_typed import parse_figure, unit_of
from gainkit.job.typed import TypedLevel, TypedPolarity

HERE = Path(__file__).parent

MOST_UPLOAD_BYTES = 64_000_000
"""The largest file that is taken [bytes]: three minutes of stereo at 48 kHz and 24 bit, and any voice memo."""

UPLOAD_SECONDS = 60.0
"""An upload that takes longer is given up [s]."""

MOST_FORM_BYTES = 16_384
"""The largest form [bytes]: a few short texts."""

MOST_FIELDS = 20
FORM_SECONDS = 10.0

MOST_STREAMS = 6
"""Live streams of one screen: as many as a browser opens; one more ends the oldest [-]."""

BEAT_SECONDS = 3.0
"""A stream says so often that it is still there: the page takes a longer silence for a lost line [s]."""

GLANCE_SECONDS = 1.0
"""How often the record is looked at for what another program wrote to it [s]."""

MOST_ARRIVING = 6
"""Files that are taken at the same time; others wait: so many bodies are held at most [-]."""

MOST_AT_ONCE = 2
"""Files that are read at the same time; others wait [-]."""

FILES = {"bench.css": "text/css; charset=utf-8", "bench.js": "text/javascript; charset=utf-8"}
"""The files of the page, read once: an address never becomes a path."""


class TooLarge(Exception):
    """A body beyond its limit."""


class Bench:
    """The application around one desk.

    addresses : under which names it answers. feed, simulation : sources that the page steers, None where there
    is none.
    """

    def __init__(
        self,
        desk: Desk,
        keys: Keys,
        addresses: Addresses,
        *,
        lines: Lines | None = None,
        feed: LiveFeed | None = None,
        simulation: Simulation | None = None,
    ) -> None:
        self.desk, self.keys = desk, keys
        self.addresses, self.feed, self.simulation = addresses, feed, simulation
        self.templates = Environment(
            loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined,
            trim_blocks=True, lstrip_blocks=True,
        )  # fmt: skip
        self.files = {name: (HERE / "static" / name).read_bytes() for name in FILES}
        self.reading = asyncio.Semaphore(MOST_AT_ONCE)
        self.arriving = asyncio.Semaphore(MOST_ARRIVING)
        self.closing = threading.Event()
        routes = [
            Route("/", self.page),
            Route("/now", self.now),
            Route("/events", self.events),
            Route("/do/{action}", self.do, methods=["POST"]),
            Route("/capture", self.capture, methods=["POST"]),
            Route("/knob", self.knob, methods=["POST"]),
            Route("/record", self.record, methods=["POST"]),
            Route("/tone", self.tone),
            Route("/sheet", self.sheet),
            Route("/screen", self.screen),
            Route("/{name}", self.file),
        ]
        self.app = Guard(Starlette(routes=routes), keys, addresses, lines or Lines())

    # ---- pages ---------------------------------------------------------------------------------------------

    def _rendered(self, template: str, who: str | None, fault: GainkitError | None = None) -> str:
        values = page_view(self.desk, who, fault)
        values["knob"] = self.simulation.knob(self.desk.step()) if self.simulation else 0.0
        return self.templates.get_template(template).render(**values)

    async def page(self, request: Request) -> Response:
        """The whole page."""
        return await self._html("page.html.j2", _who(request))

    async def now(self, request: Request) -> Response:
        """The part of it that changes."""
        return await self._html("now.html.j2", _who(request))

    async def _html(
        self, template: str, who: str | None, fault: GainkitError | None = None, status: int = 200
    ) -> Response:
        """A page; where the job's own files cannot be read any more, what is to be mended."""
        try:
            return HTMLResponse(await run_in_threadpool(self._rendered, template, who, fault), status)
        except GainkitError as broken:
            return PlainTextResponse("\n".join(fault_view(broken).values()), 503)

    async def file(self, request: Request) -> Response:
        """Style and script, by their names alone."""
        name = request.path_params["name"]
        if name not in self.files:
            return PlainTextResponse("Not found", 404)
        return Response(self.files[name], headers={"content-type": FILES[name]})

    async def sheet(self, request: Request) -> Response:
        """The as-left page as it stands now."""
        from gainkit.sheet.model import sheet_of
        from gainkit.sheet.page import page_text

        def made() -> str:
            job = self.desk.job()
            return page_text(job, sheet_of(job))

        page = await run_in_threadpool(made)
        return HTMLResponse(page, headers={"content-security-policy": SHEET_POLICY})

    async def screen(self, request: Request) -> Response:
        """A code that opens one more screen."""
        import segno
        from markupsafe import Markup

        address = code = None
        network = self.addresses.network()
        if network is not None:
            address = f"http://{network}/open?key={self.keys.fresh()}"
            code = Markup(segno.make(address, error="m").svg_inline(scale=4))
        template = self.templates.get_template("screen.html.j2")
        return HTMLResponse(template.render(words=WORDS, language=LANGUAGE, address=address, code=code))

    # ---- what a screen asks for ----------------------------------------------------------------------------

    async def do(self, request: Request) -> Response:
        """One action of a form."""
        form = await _form(request)
        if form is None:
            return PlainTextResponse("Too large", 413)
        session: Session = request.state.session
        work = self._action(request.path_params["action"], form, session)
        if work is None:
            return PlainTextResponse("Not found", 404)
        return await self._shown(request, work)

    def _action(self, action: str, form: dict[str, str], session: Session) -> Callable[[], Any] | None:
        """What a form's action does."""
        desk, key, who = self.desk, form.get("step", ""), session.who
        seen = _whole(form["reading"]) if "reading" in form else None
        actions: dict[str, Callable[[], Any]] = {
            "go": lambda: desk.go(key),
            "next": desk.go_on,
            "confirm": lambda: desk.confirm(key, who),
            "seen": lambda: desk.seen(key, who),
            "level": lambda: desk.typed(
                key, TypedLevel(number(form, "volts"), dc_volts=number(form, "dc_volts"))
            ),
            "polarity": lambda: desk.typed(key, TypedPolarity(form.get("polarity", ""))),  # type: ignore[arg-type]
            "keep": lambda: desk.keep(key, who, seen),
            "drop": lambda: desk.drop(key, seen),
            "undo": lambda: desk.undo(_whole(form.get("number", "")), who),
            "tones": lambda: desk.write_tones(who),
            "who": lambda: _name(session, form.get("who", "")),
        }
        return actions.get(action)

    async def capture(self, request: Request) -> Response:
        """A recording, as the body of the request."""
        query = request.query_params
        try:
            async with self.arriving:
                data = await _body(request, MOST_UPLOAD_BYTES, UPLOAD_SECONDS)
        except TooLarge:
            fault = GainkitError("upload_too_large", "capture", most_mb=MOST_UPLOAD_BYTES / 1e6)
            return await self._faulty(request, fault, 413)

        def work() -> None:
            volts = number(dict(query), "volts")
            self.desk.arrived(query.get("step", ""), data, query.get("name", ""), query.get("label", ""), volts)

        async with self.reading:
            return await self._shown(request, work)

    async def knob(self, request: Request) -> Response:
        """The knob of the simulated amplifier."""
        form = await _form(request)
        if self.simulation is None or form is None:
            return PlainTextResponse("Not found", 404)
        db = number(form, "db")
        try:
            await run_in_threadpool(self.simulation.turn, 0.0 if db is None else db)
        except GainkitError as fault:
            return PlainTextResponse(fault_view(fault)["problem"], 422)
        return PlainTextResponse("")

    async def record(self, request: Request) -> Response:
        """The next seconds of the interface, while the page plays."""
        form = await _form(request)
        if self.feed is None or form is None:
            return PlainTextResponse("Not found", 404)
        seconds = number(form, "seconds") or 0.0
        return await self._shown(request, functools.partial(self.feed.record, form.get("step", ""), seconds))

    async def tone(self, request: Request) -> Response:
        """The tone of a step as a file, once its cautions are confirmed."""
        try:
            step = self.desk.ready(request.query_params.get("step", ""))
            if step.tone is None:
                raise GainkitError("step_takes_no_capture", "step", step.key)
            data = await run_in_threadpool(tone_file, step.tone)
        except GainkitError as fault:
            return PlainTextResponse(" ".join(fault_view(fault).values()), 409)
        return Response(data, media_type="audio/wav")

    async def _shown(self, request: Request, work: Callable[[], Any]) -> Response:
        """Do it, and show the page as it is then; a fault stands on top of it."""
        try:
            await run_in_threadpool(work)
            if self.simulation is not None:
                await run_in_threadpool(self.simulation.read)
        except GainkitError as fault:
            return await self._faulty(request, fault, 422)
        if request.headers.get("x-part") != "now":
            return RedirectResponse("/", 303)
        return await self.now(request)

    async def _faulty(self, request: Request, fault: GainkitError, status: int) -> Response:
        template = "now.html.j2" if request.headers.get("x-part") == "now" else "page.html.j2"
        return await self._html(template, _who(request), fault, status)

    # ---- the stream ----------------------------------------------------------------------------------------

    async def events(self, request: Request) -> Response:
        """Server-sent events: 'changed' when the page is to be fetched again, 'live' with the live reading."""
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        return StreamingResponse(self._told(request.state.session), media_type="text/event-stream")

    def _live(self) -> dict[str, Any]:
        told = live_view(self.desk)
        return told | {"knob": self.simulation.knob(self.desk.step())} if self.simulation else told

    async def _told(self, session: Session) -> AsyncIterator[str]:
        """What one screen is told. Only the newest state goes out, however slow the line is."""
        loop, woken, ended = asyncio.get_running_loop(), asyncio.Event(), threading.Event()

        def wake() -> None:
            if not loop.is_closed():
                loop.call_soon_threadsafe(woken.set)

        def end() -> None:
            ended.set()
            wake()

        while len(session.streams) >= MOST_STREAMS:
            session.streams.pop(0)()
        session.streams.append(end)
        self.desk.listeners.append(wake)
        version = live = -1
        quiet = 0.0
        try:
            yield "retry: 1000\n\n"
            while not (self.closing.is_set() or ended.is_set()):
                woken.clear()
                if version != self.desk.version:
                    version = self.desk.version
                    yield f"event: changed\ndata: {version}\n\n"
                if live != self.desk.live_version:
                    live = self.desk.live_version
                    told = await run_in_threadpool(self._live)
                    yield f"event: live\ndata: {json.dumps(told)}\n\n"
                try:
                    async with asyncio.timeout(GLANCE_SECONDS):
                        await woken.wait()
                except TimeoutError:
                    quiet += GLANCE_SECONDS
                    await run_in_threadpool(self.desk.glance)
                if quiet >= BEAT_SECONDS:
                    quiet = 0.0
                    yield "event: beat\ndata:\n\n"
        finally:
            if end in session.streams:
                session.streams.remove(end)
            self.desk.listeners.remove(wake)

    def close(self) -> None:
        """End all streams."""
        self.closing.set()
        for each in list(self.desk.listeners):
            each()


def tone_file(tone: Any) -> bytes:
    """A step's tone as a WAV file of 48 kHz and 24 bit, both channels."""
    import soundfile

    from gainkit.generator.kinds import build
    from gainkit.steps.model import TONE_RATE_HZ, tone_spec

    file = io.BytesIO()
    samples = build(tone_spec(tone), TONE_RATE_HZ).samples()
    soundfile.write(file, samples, TONE_RATE_HZ, format="WAV", subtype="PCM_24")
    return file.getvalue()


def number(form: dict[str, str], name: str) -> float | None:
    """A typed figure, with its unit or without; None where nothing was typed.

    Raises GainkitError as `parse_figure` for what is none.
    """
    text = form.get(name, "").strip()[:40]
    return parse_figure(text, unit_of(name), name) if text else None


def _whole(text: str) -> int:
    """The number of a reading or of a line of the record; 0, which no line has, for anything else."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 12 else 0


def _name(session: Session, who: str) -> None:
    clean = "".join(each for each in who if each.isprintable()).strip()
    session.who = clean[:60] or None


def _who(request: Request) -> str | None:
    session: Session = request.state.session
    return session.who


async def _form(request: Request) -> dict[str, str] | None:
    """The fields of a form; None when it is larger than a form of ours."""
    try:
        data = await _body(request, MOST_FORM_BYTES, FORM_SECONDS)
    except TooLarge:
        return None
    try:
        fields = parse_qs(data.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError:  # too many fields
        return None
    return {name: values[0] for name, values in fields.items()}


async def _body(request: Request, most_bytes: int, seconds: float) -> bytes:
    """The body, never more of it in memory than the limit, and not for longer than it may take."""
    length = request.headers.get("content-length", "")
    if length.isdigit() and int(length) > most_bytes:
        raise TooLarge
    data = bytearray()
    try:
        async with asyncio.timeout(seconds):
            async for part in request.stream():
                data += part
                if len(data) > most_bytes:
                    raise TooLarge
    except (TimeoutError, ClientDisconnect):
        raise TooLarge from None
    return bytes(data)
