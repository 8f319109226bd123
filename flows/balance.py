"""Balance: white balance and exposure of a set-up, from its grey card or a frame; and exposure matched between frames.

Originals are not touched: what is said here is applied when a picture is rendered, before any look. Proofs, and finals
made from the original itself, are due again; a base file that a retoucher has keeps the balance it was made with.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import partial
from typing import Any

from glassine.flows.decoding import decode_one
from glassine.flows.on_set import check_set_up
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.rebalanced import Standing, check_stops, say_rendered
from glassine.flows.studio import Studio
from glassine.schemas.balance import balance_of_set_up
from glassine.schemas.errors import CallError, FrameError, VolumeError
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import Occasion
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import parse_region
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.grey_card import MIDDLE_FIFTH, measure_card
from glassine.tasks.imaging.raw_rendering import as_shot_multipliers

Fact = dict[str, Any]
MOST_MATCHED_STOPS = 1.5
"""A frame further off than this is not a little darker than its neighbours: a light did not fire (own choice)."""
_SHOT = {"how": "as shot", "multipliers": None, "stops": 0.0, "frame": None, "region": None}
_CAMERA = "of an unknown camera"


def list_balances(studio: Studio, number: str, set_up: str | None = None) -> Document:
    """The balances of a job's set-ups, and the frames that are matched. Reads only."""
    manifest = JobRecord(studio.job_folder(number)).manifest()
    if set_up is not None:
        check_set_up(manifest, set_up)
    found = [known for known in manifest.document["balances"] if set_up in (None, known["set_up"])]
    said = [say_balance(known) for known in found]
    named = {known["set_up"] for known in found if known["how"] == "grey card"}
    matched = [frame for frame in manifest.frames if set_up in (None, frame["set_up"]) and _own_stops(frame)]
    said += [f"Frame {frame['number']}: {_own_stops(frame):+.2f} stops." for frame in matched]
    for frame in manifest.frames:
        is_card = frame["purpose"] == "grey_card" and frame["set_up"] and set_up in (None, frame["set_up"])
        if is_card and frame["set_up"] not in named:
            named.add(frame["set_up"])
            call = f"glassine job balance {number} {frame['set_up']} --card {frame['number']}"
            said.append(f"Set-up {frame['set_up']} has a grey card that is not used: `{call}`.")
    stops = {frame["number"]: _own_stops(frame) for frame in matched}
    return summary(said or ["Every frame is as shot."], [], job=number, balances=found, matched=stops)


def set_balance(
    studio: Studio,
    number: str,
    set_up: str,
    *,
    card: int | None = None,
    region: str | None = None,
    like: int | None = None,
    multipliers: str | None = None,
    stops: float | None = None,
    expose: bool = False,
    as_shot: bool = False,
    arrangement: int | None = None,
    camera: str | None = None,
    by: str | None = None,
) -> Document:
    """Say which white balance and exposure the frames of a set-up get, for the camera model of a frame.

    Parameters
    ----------
    card : a frame that shows a grey card, measured in `region`; its exposure counts too with `expose`
    like : the frame whose as-shot white balance all get
    multipliers : typed, of the camera's red, green and blue: "2.05 1 1.48"
    stops : exposure, typed; alone it leaves the white balance as it is, and without it the exposure stays
    as_shot : take back what was said
    camera : the model that typed multipliers are of, or a part of its name, where the set-up has frames of several
    arrangement : only for this one; by default for every arrangement that has none of its own

    Raises
    ------
    CallError
        W001: none or several ways, a card that cannot be measured. W002: no such frame or set-up. W004: the card was
        not taken in this set-up.
    FrameError
        P001: the frame is no raw, or does not decode.
    """
    ways = [card is not None, like is not None, multipliers is not None, as_shot]
    if sum(ways) > 1 or (as_shot and stops is not None) or not (any(ways) or stops is not None):
        raise CallError(
            "W001",
            "Say one way: --card FRAME, --like FRAME, --multipliers 'R G B' (each also with --stops), or --as-shot.",
        )
    if (region or expose) and card is None:
        raise CallError("W001", "--region and --expose are about a grey card: name its frame with --card.")
    if expose and stops is not None:
        raise CallError("W001", "Say the exposure once: --expose takes it from the card, --stops is typed.")
    if arrangement is not None and arrangement < 1:
        raise CallError("W001", f"--arrangement counts from 1, not {arrangement}.")
    job = OpenJob(studio, number, by)
    if not (as_shot and any(known["set_up"] == set_up for known in job.manifest.document["balances"])):
        check_set_up(job.manifest, set_up)  # what was said of one that is renamed since can be taken back
    source = card if card is not None else like
    frame = job.manifest.frame(source) if source is not None else None
    if frame and frame["set_up"] != set_up:
        where = f"set-up {frame['set_up']}" if frame["set_up"] else "no set-up"
        raise CallError(
            "W004",
            f"Frame {frame['number']} belongs to {where}, not to {set_up}: `glassine job set-up {number} {set_up} {frame['number']}` if it was taken in that light.",
        )
    area: Document = dict(parse_region(region)) if region else dict(MIDDLE_FIFTH)
    measured: Document = {}
    said: Document = {}
    if card is not None and frame:
        measured = _decoded(job, frame, partial(measure_card, job.find_whole(frame["sha256"]), area))
        said = {"how": "grey card", "multipliers": measured["multipliers"], "region": area}
    elif frame:
        said = {
            "how": "of a frame",
            "multipliers": list(_decoded(job, frame, partial(as_shot_multipliers, job.find_whole(frame["sha256"])))),
        }
    elif multipliers:
        said = {"how": "typed", "multipliers": _parse_multipliers(multipliers)}
    exposure = measured["stops"] if expose else stops
    if said:
        said = {"frame": source, "region": None, **said}
    if exposure is not None:
        said["stops"] = round(exposure, 4)
    Balance.of({"multipliers": None, "stops": 0.0, **said})
    there = _cameras_of(job.manifest, set_up, arrangement)
    cameras = [frame["camera"] or ""] if frame else _named_cameras(there, camera, set_up, one=bool(multipliers))
    facts: list[Fact] = []

    def propose(manifest: Manifest) -> list[Fact]:
        subjects = [{"set_up": set_up, "arrangement": arrangement, "camera": model} for model in cameras]
        facts[:] = [_stated(manifest, subject, _SHOT if as_shot else said) for subject in subjects]
        news = [fact for stated in facts if (fact := _next_balance(manifest, stated))]
        _check_after(manifest, news)
        return news

    before = Standing.of(job.manifest)
    head = job.manifest.head
    is_news = job.commit("balance", propose).head != head
    told = [say_balance(fact) for fact in facts]
    if measured:
        told.append(_say_card(measured, exposed=expose))
    told += before.say(job.manifest) or ["No frame is rendered otherwise by it." if is_news else "It was so already."]
    told += say_rendered(before.changed(job.manifest), said.get("multipliers"))
    others = sorted(set(there) - set(cameras))
    told += [f"Frames {_of_camera(model)} stay as they are: the numbers are those of one model." for model in others]
    return summary(told, job.finish(), job=number, balances=facts, card=measured or None)


def match_exposure(
    studio: Studio,
    number: str,
    frames: Sequence[int],
    *,
    to: int | None = None,
    stops: float | None = None,
    as_shot: bool = False,
    by: str | None = None,
) -> Document:
    """Match the exposure of frames to another of their set-up by their readings, or by stops that are typed.

    A frame that is further off than `MOST_MATCHED_STOPS` is left, and told of: it was lit differently.

    Raises
    ------
    CallError
        W001: none or several ways. W004: a frame of another set-up, or the other frame is without a reading.
    """
    if (to is not None) + (stops is not None) + as_shot != 1:
        raise CallError("W001", "Say how: --to FRAME, the one they are matched to; --stops, typed; or --as-shot.")
    job = OpenJob(studio, number, by)
    wanted, left = {}, []
    for frame in map(job.manifest.frame, frames):
        change = stops or 0.0
        if frame["frame"] == to:
            continue
        if to is not None:
            if not _is_read(frame):
                left.append(f"Frame {frame['number']} is left: {_say_unread(frame, number)}.")
                continue
            change = _difference(job.manifest, job.manifest.frame(to), frame)
            if abs(change) > MOST_MATCHED_STOPS:
                left.append(
                    f"Frame {frame['number']} is left: {abs(change):.1f} stops {'darker' if change > 0 else 'lighter'} than {job.manifest.frame(to)['number']}, it was lit differently. --stops matches it all the same."
                )
                continue
        Balance(stops=change)
        how = "matched" if to is not None else "typed" if stops is not None else "as shot"
        wanted[frame["frame"]] = {"how": how, "stops": round(change, 4), "to": to}

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for frame, said in wanted.items():
            known = manifest.frame(frame)["exposure_match"]
            if any((known or {"how": "as shot", "stops": 0.0, "to": None})[name] != said[name] for name in said):
                revision = known["revision"] + 1 if known else 1
                facts.append({"kind": "exposure_match", "frame": frame, "revision": revision, **said})
        _check_after(manifest, facts)
        return facts

    before = Standing.of(job.manifest)
    job.commit("balance", propose)
    told = [
        f"Frame {job.manifest.frame(frame)['number']}: {said['stops']:+.2f} stops." for frame, said in wanted.items()
    ]
    told += left + (before.say(job.manifest) or ["It was so already."])
    changes = {job.manifest.frame(frame)["number"]: said["stops"] for frame, said in wanted.items()}
    return summary(told, job.finish(), job=number, stops=changes, left=left)


def say_balance(known: Document) -> str:
    """A set-up's balance in a sentence."""
    where = f"Set-up {known['set_up']}" + (f", arrangement {known['arrangement']}" if known["arrangement"] else "")
    white = "white balance as shot"
    if known["multipliers"]:
        numbers = " ".join(f"{each:.3f}" for each in known["multipliers"])
        source = {"grey card": f"of the grey card in {known['frame']:04d}" if known["frame"] else "of a grey card"}
        source["of a frame"] = f"of frame {known['frame']:04d}" if known["frame"] else "of a frame"
        white = f"white balance {source.get(known['how'], 'typed')} ({numbers})"
    exposure = f", {known['stops']:+.2f} stops" if known["stops"] else ""
    return f"{where}, frames {_of_camera(known['camera'])}: {white}{exposure}."


def _say_card(measured: Document, *, exposed: bool) -> str:
    used = "" if exposed else " (not used: --expose)"
    return f"The card lies {-measured['stops']:+.2f} stops from 18 % grey{used}."


def _decoded(job: OpenJob, frame: Frame, call: Any) -> Any:
    """What a call on a frame's original gives, in a disposable worker."""
    outcome = decode_one(job.studio, call)
    if outcome.failure:
        sentence = f"Frame {frame['number']}: {outcome.failure.rstrip('.')}."
        if outcome.of_call:
            raise CallError("W001", sentence)
        raise FrameError("P001", sentence) if outcome.of_file else VolumeError("V003", sentence)
    return outcome.value


def _parse_multipliers(text: str) -> list[float]:
    try:
        found = [float(part) for part in text.replace(",", " ").split()]
    except ValueError:
        found = []
    if len(found) != 3:
        raise CallError("W001", f"{text!r} is not three multipliers, of red, green and blue, such as '2.05 1 1.48'.")
    return found


def _cameras_of(manifest: Manifest, set_up: str, arrangement: int | None) -> list[str]:
    there = [
        frame for frame in manifest.frames if frame["set_up"] == set_up and arrangement in (None, frame["arrangement"])
    ]
    if not there:
        where = f"arrangement {arrangement} of set-up {set_up}" if arrangement else f"set-up {set_up}"
        raise CallError(
            "W004",
            f"No frame belongs to {where} yet: `glassine job set-up {manifest.job} {set_up} FRAMES` says which do.",
        )
    return sorted({frame["camera"] or "" for frame in there})


def _named_cameras(there: list[str], named: str | None, set_up: str, *, one: bool) -> list[str]:
    found = [camera for camera in there if named is None or named.casefold() in camera.casefold()]
    if not found or (one and len(found) > 1):
        models = ", ".join(camera or "an unknown camera" for camera in there)
        raise CallError(
            "W001",
            f"Set-up {set_up} has frames of {models}: multipliers mean something for one model, name it with --camera.",
        )
    return found


def _stated(manifest: Manifest, subject: Document, said: Document) -> Document:
    """A balance as it is to be: what was said of the same subject before, and what is said now."""
    known = _known(manifest, subject)
    kept = {name: known[name] for name in _SHOT} if known else {**_SHOT, "how": "typed"}
    return {**subject, **kept, **said}


def _check_after(manifest: Manifest, facts: Sequence[Fact]) -> None:
    """See that these facts move no frame too far, before they are said."""
    after = Manifest(json.loads(json.dumps(manifest.document)))
    for fact in facts:
        apply_fact(after, fact, Occasion(after.document["opened"], ""))
    check_stops(manifest, after)


def _of_camera(camera: str) -> str:
    return f"of {camera}" if camera else _CAMERA


def _known(manifest: Manifest, subject: Document) -> Document | None:
    fields = ("set_up", "arrangement", "camera")
    same = (known for known in manifest.document["balances"] if all(known[name] == subject[name] for name in fields))
    return next(same, None)


def _next_balance(manifest: Manifest, stated: Document) -> Fact | None:
    known = _known(manifest, stated)
    if all((known or _SHOT)[name] == stated[name] for name in _SHOT):
        return None
    return {"kind": "balance", "revision": known["revision"] + 1 if known else 1, **stated}


def _own_stops(frame: Frame) -> float:
    return float(frame["exposure_match"]["stops"]) if frame["exposure_match"] else 0.0


def _is_read(frame: Frame) -> bool:
    return bool(frame["reading"] and frame["reading"]["exposure_stops"] is not None)


def _say_unread(frame: Frame, number: str) -> str:
    return "it does not decode" if frame["undecodable"] else f"it has no reading: run `glassine proof {number}` first"


def _difference(manifest: Manifest, target: Frame, frame: Frame) -> float:
    """Stops that bring a frame to where another is rendered, with what their set-up gives to each."""
    if target["set_up"] is None or frame["set_up"] != target["set_up"]:
        raise CallError(
            "W004",
            f"Frames {frame['number']} and {target['number']} belong to no set-up that they share: only frames in one light are matched.",
        )
    if not _is_read(target):
        raise CallError("W004", f"Frame {target['number']}: {_say_unread(target, manifest.job)}.")
    said = [balance_of_set_up(manifest.document["balances"], each) for each in (target, frame)]
    given, got = (known["stops"] if known else 0.0 for known in said)
    whole = target["reading"]["exposure_stops"] + given + _own_stops(target)
    return float(round(whole - frame["reading"]["exposure_stops"] - got, 4))
