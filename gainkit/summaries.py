"""What `str` says of a result: the verdict first, then at most five lines of the figures behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from gainkit.figures import filled, level_unit, plain
from gainkit.remarks import Remark, gravest_first

MOST_LINES = 6
"""The verdict and five lines: what fits beside the hand on a gain control."""

LEAST_PERCENT = 1e-5
"""Smaller shares say no more than 'under' this [%]."""


def summary(result: Any) -> list[str]:
    """The lines of one result, the first of which stands by itself."""
    for kind in type(result).__mro__:
        if kind.__name__ in SUMMARIES:
            return SUMMARIES[kind.__name__](result)
    raise KeyError(type(result).__name__)


def _lines(verdict: str, figures: Iterable[str | None], remarks: Iterable[Any] = ()) -> list[str]:
    """Verdict, the figures that are known, and what is most grave of the remarks in the room that is left."""
    lines = [verdict, *(f"  {line}" for line in figures if line)]
    grave = gravest_first(each for each in remarks if isinstance(each, Remark))
    return [*lines, *(f"  {each.severity}: {each}" for each in grave)][:MOST_LINES]


def _known(template: str, result: Any) -> str | None:
    """A line of figures; None where the first of them is not known."""
    first = template.split("{")[1].split("}")[0].split(":")[0]
    values = {name: getattr(result, name) for name in {*type(result).__dataclass_fields__, first}}
    return None if values[first] is None else filled(template, values)


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{plain(share, least=LEAST_PERCENT)} %"


# ---- measured ----------------------------------------------------------------------------------------------


def _measurement(result: Any) -> list[str]:
    unit = level_unit(result.calibrated)
    turn = None
    if result.target is not None and result.target.change_db is not None:
        turn = f"change by {result.target.change_db:+z.2f} dB to reach {plain(result.target.set_volts, 4)} V"
    return _lines(
        f"{_state(result)}: {plain(result.rms_volts, 4)} {unit} rms",
        [
            turn,
            _known("{frequency_hz:.6g} Hz, {seconds:.3g} s", result),
            None if result.thd_percent is None else f"THD {_percent(result.thd_percent)}",
            _known("{watts:.4g} W into the load", result),
        ],
        result.notes,
    )


def _state(result: Any) -> str:
    """The verdict in a word or two."""
    from gainkit.analysis.clean import clips_in_part, waveform_state

    if result.recorder_overload:
        return "recorder overloaded"
    if not result.steady_tone:
        return "no steady tone"
    clip = result.clipping
    if clips_in_part(result):
        return "clipped in a part"
    if clip.state == "clipped" and (clip.overdrive_db or 0.0) > 0:
        return f"clipped by {clip.overdrive_db:z.2f} dB"
    return waveform_state(result) or "clipping not known"


def _onset(result: Any) -> list[str]:
    if not result.found:
        free = result.loudest_judged and result.held_dbfs is None
        known = "no onset found" if free else "onset not known"
        over = len(result.distorted_dbfs)
        known += f", distorted at {over} level{'' if over == 1 else 's'}" if over else ""
        return _lines(f"{known} up to {max(step.level_dbfs for step in result.steps):g} dBFS", [], result.notes)
    return _lines(
        f"THD reaches {plain(result.limit_thd_percent, 6)} % at {result.onset_dbfs:z.2f} dBFS"
        + (", at no rail" if result.by_bend else ", before a low-pass" if result.before_filter else ""),
        [
            _known("clipping begins at {clipping_begins_dbfs:z.2f} dBFS", result),
            _known("within {onset_uncertainty_db:.2g} dB", result),
            _known("{onset_volts:.4g} V rms there", result),
            _known("rail at {rail_volts:.4g} V peak", result),
            _known("{small_signal_gain_db:z.2f} dB of gain for small signals", result),
        ],
        result.notes,
    )


def _compared_onsets(result: Any) -> list[str]:
    verdicts = {
        "before": "clips before the gain control",
        "after": "clips after the gain control",
        "both": "clips before the gain control at the lower setting, after it at the higher one",
        "nowhere": "nothing clips at either setting",
        "unknown": "not known which side of the gain control clips",
    }
    return _lines(
        verdicts[result.where],
        [
            _known("turned by {gain_change_db:z.2f} dB", result),
            _known("onset moved by {onset_change_db:+z.2f} dB", result),
        ],
        result.notes,
    )


def _volume(result: Any) -> list[str]:
    best = result.highest_clean_position
    verdict = "no clean position" if best is None else f"clean up to position {best}"
    return _lines(verdict, [_known("{source_volts:.4g} V rms for 0 dBFS there", result)], result.notes)


def _polarity(result: Any) -> list[str]:
    return _lines(
        _with_confidence(result.polarity, result.confidence),
        [f"{result.agreeing} of {result.pulses} {result.played} agree, {result.band}"]
        if result.polarity != "undecided"
        else [],
        result.notes,
    )


def _with_confidence(answer: str, confidence: float) -> str:
    from gainkit.words.polarity import confidence_text

    return answer if answer == "undecided" else f"{answer} (confidence {confidence_text(confidence)})"


def _polarity_pair(result: Any) -> list[str]:
    return _lines(_with_confidence(result.relation, result.confidence), result.files)


def _routing(result: Any) -> list[str]:
    verdict = "correct" if result.ok else "not correct" if result.judged else "not judged"
    heard = [f"{len(result.heard)} groups of beeps heard"]
    return _lines(f"routing {verdict}", heard, (*result.problems, *result.notes))


def _noise(result: Any) -> list[str]:
    return _lines(
        str(result.verdict),
        [
            _known("{a_weighted_volts:.3g} V rms A-weighted", result),
            _known("{below_target_db:z.1f} dB below the target", result),
        ],
        result.notes,
    )


def _match(result: Any) -> list[str]:
    trims = (f"{each.file}: {each.trim_db:+z.1f} dB" for each in result.captures)
    return _lines(f"trims to match {result.reference}", trims, result.notes)


def _response(response: Any) -> list[str]:
    lines = [response.verdict or "the sweep is not in the recording"]
    if response.flat is not None:
        lines.append(f"  flat from {plain(response.flat.low_hz)} to {plain(response.flat.high_hz)} Hz")
    for name, side in (("high-pass", response.highpass), ("low-pass", response.lowpass)):
        if side is not None:
            lines.append(f"  {name} {plain(side.corner_hz, 4)} Hz, {side.family}, order {side.order}")
    if response.delay_seconds is not None:
        lines.append(f"  delay {1000 * response.delay_seconds:z.3f} ms")
    return lines


def _calibration(result: Any) -> list[str]:
    verdict = f"full scale is {plain(result.full_scale_volts, 5)} V peak"
    return _lines(verdict, [result.how, result.date], getattr(result, "notes", ()))


# ---- calculated --------------------------------------------------------------------------------------------


def _target(result: Any) -> list[str]:
    return _lines(
        filled("set {set_volts:.4g} V with a tone at {tone_dbfs:g} dBFS", vars(result)),
        [
            filled("{target_watts:.4g} W into {load_ohms:g} ohm, limited by the {limited_by}", vars(result)),
            _known("gain {gain_db:z.1f} dB", result),
            filled(
                "full scale {full_scale_volts:.4g} V, {full_scale_watts:.4g} W; headroom {headroom_db:z.1f} dB",
                vars(result),
            ),
        ],
        result.cautions,
    )


def _plan(result: Any) -> list[str]:
    told = "{name}: {set_volts:.4g} V at {tone_hz:g} Hz, {tone_dbfs:g} dBFS"
    channels = [filled(told, vars(each)) for each in result.channels]
    more = len(channels) - (MOST_LINES - 1)
    if more > 0:
        channels = [*channels[: MOST_LINES - 2], f"and {more + 1} more channels"]
    return _lines(f"{len(result.channels)} channels to set", channels, result.cautions)


def _loads(result: Any) -> list[str]:
    words = {True: "", False: ", too low for the amplifier", None: ""}
    rows = [f"{plain(each.ohms)} ohm: {each.description}{words[each.allowed]}" for each in result.wirings]
    return _lines(f"{len(rows)} ways to wire them", rows, result.cautions)


def _measured_load(result: Any) -> list[str]:
    told = [
        _known("{ohms:.3g} ohm at {frequency_hz:.4g} Hz", result),
        _known("least {least_ohms:.3g} ohm at {least_hz:.4g} Hz", result),
        _known("resonance at {resonance_hz:.4g} Hz, {resonance_ohms:.3g} ohm", result),
        _known("phase {phase_degrees:.1f} degrees", result),
        _known("output resistance {output_ohms:.3g} ohm", result),
    ]
    first, *rest = [each for each in told if each]
    return _lines(first, rest, result.notes)


def _pad(result: Any) -> list[str]:
    if result.shunt_ohms is None:
        return _lines("no pad needed", [], result.cautions)
    legs = " in each leg" if result.differential else " in series"
    verdict = f"{plain(result.series_ohms, 4)} ohm{legs}, {plain(result.shunt_ohms, 4)} ohm across the input"
    figures = [filled("loss {loss_db:z.2f} dB, {headroom_db:z.1f} dB below full scale", vars(result))]
    return _lines(verdict, figures, result.cautions)


def _feed(result: Any) -> list[str]:
    if result.amplifier_volts is not None:
        told = "{verdict}: {amplifier_volts:.2f} V at the amplifier, {supply_amperes:.1f} A"
        fuse = _known("highest fuse {highest_fuse_amperes:g} A", result)
        return _lines(
            filled(told, vars(result)), [_known("{lost_volts:.2f} V lost", result), fuse], result.notes
        )
    return _lines(filled("{level_lost_db:z.2f} dB at the loudspeaker", vars(result)), [], result.notes)


def _meter_reading(result: Any) -> list[str]:
    told = "true rms {true_rms_volts:.4g} V, average-responding {average_responding_volts:.4g} V"
    return _lines(filled(told, vars(result)), [result.wave], result.notes)


def _trim(result: Any) -> list[str]:
    return _lines(f"trim {result.trim_db:z.1f} dB", [], result.notes)


# ---- written -----------------------------------------------------------------------------------------------


def _written_set(result: Any) -> list[str]:
    form = f"{result.format.upper()}, {result.sample_rate_hz} Hz, {result.bits} bit"
    return _lines(f"{len(result.tracks)} tracks of '{result.title}' in {result.folder}", [form])


def _checked_set(result: Any) -> list[str]:
    bad = [each for each in result.tracks if not each.ok]
    verdict = f"all {len(result.tracks)} tracks as written" if result.ok else f"{len(bad)} files not as written"
    return _lines(verdict, [f"{each.file}: {each.problem}" for each in bad], result.notes)


def _tone_sets(result: Any) -> list[str]:
    return _lines(f"{len(result.sets)} tone sets", [f"{each.name}: {each.title}" for each in result.sets])


def _track(result: Any) -> list[str]:
    return _lines(f"{result.file}: {result.title}, {result.seconds:.2f} s", [], result.cautions)


def _job_status(result: Any) -> list[str]:
    outputs = [f"{each.name}: {each.verdict}" for each in result.outputs]
    return _lines(str(result.headline), outputs, result.problems)


def _sheet(result: Any) -> list[str]:
    return _lines(f"{result.file}: {result.headline}", [])


def _new_job(result: Any) -> list[str]:
    return _lines(f"job in {result.folder}", [f"fill in {result.system}"])


def _live(result: Any) -> list[str]:
    told = "{device}: {readings} readings in {seconds:.1f} s"
    counts = f"{result.clipped_readings} clipped, {result.overloads} overloaded, {result.lost_blocks} lost"
    return _lines(filled(told, vars(result)), [counts])


SUMMARIES: dict[str, Callable[[Any], list[str]]] = {
    "Measurement": _measurement,
    "OnsetComparison": _compared_onsets,
    "OnsetResult": _onset,
    "VolumeResult": _volume,
    "PolarityResult": _polarity,
    "PolarityPair": _polarity_pair,
    "RoutingResult": _routing,
    "MatchResult": _match,
    "NoiseResult": _noise,
    "Response": _response,
    "Calibration": _calibration,
    "Target": _target,
    "Plan": _plan,
    "Wirings": _loads,
    "MeasuredLoad": _measured_load,
    "Pad": _pad,
    "Feed": _feed,
    "MeterReading": _meter_reading,
    "Trim": _trim,
    "WrittenSet": _written_set,
    "CheckedSet": _checked_set,
    "ToneSets": _tone_sets,
    "TrackFacts": _track,
    "JobStatus": _job_status,
    "SheetMade": _sheet,
    "NewJob": _new_job,
    "LiveResult": _live,
}
"""By the name of the result's class, or of one that it builds upon: a function to its lines."""
