"""A small job, told in facts of every kind, an entry each."""

from __future__ import annotations

from glassine.schemas.identifiers import note_id
from tests.schemas.facts_of_each_kind import (
    BACKUP,
    CHEEK,
    COLOUR,
    NECK,
    SIZED,
    SQUARE,
    TECHNICAL,
    TEMPLATES,
    UNDONE,
    UNKNOWN,
    WORKING,
    Batch,
    Fact,
    a_fact,
    a_final,
    a_frame,
    adoptions,
    digest,
)


def the_batches(photographer: str, retoucher: str) -> list[Batch]:
    """Three frames from the card to the receipt, in facts of all kinds: event and facts of each entry after the first."""
    frames = [a_fact("frame"), a_frame(2, name="B.DNG"), a_frame(3, name="C.DNG", folder="")]
    copies = [
        a_fact("copy", sha256=fact["sha256"], path=fact["path"], volume=volume)
        for fact in frames
        for volume in (WORKING, BACKUP)
    ]
    rotten = {"sha256": digest("frame 2"), "volume": BACKUP}
    mine = {"person": photographer}
    return [
        ("policy assignment", adoptions()),
        ("policy assignment", [a_fact("volume"), a_fact("volume", volume=BACKUP, name="backup", medium="disk 2")]),
        ("ingestion", [*frames, a_fact("companion"), a_fact("stray"), *copies, a_fact("seen")]),
        (
            "metadata extraction",
            [
                a_fact("identified"),
                a_fact("identified", frame=2, camera=None, counter=None, lens=None),
                a_fact("undecodable", frame=3),
            ],
        ),
        (
            "creation",
            [
                a_fact("proof"),
                a_fact("reading"),
                a_fact("proof", frame=2, sha256=digest("proof 2"), picture="embedded preview", warning="A preview."),
                a_fact("reading", frame=2, exposure_stops=-0.5),
                a_fact("unshowable", frame=3),
            ],
        ),
        ("creation", [a_fact("contact_sheet", frames=2)]),
        (
            "appraisal",
            [a_fact("set_up"), a_fact("set_up", frame=2), a_fact("set_up", frame=2, revision=2, set_up=None)],
        ),
        (
            "fixity check",
            [
                a_fact("fixity_pass"),
                a_fact("read_back"),
                a_fact("read_back", **rotten, outcome="differs", found=digest("rotten")),
            ],
        ),
        ("recovery", [a_fact("repair", **rotten, from_volume=WORKING), a_fact("fixity_pass", state="closed")]),
        (
            "appraisal",
            [a_fact("selects_round", **mine), a_fact("mark", **mine, hero=True, remark="Keep “this” one – ßø.")],
        ),
        (
            "appraisal",
            [
                a_fact("mark", **mine, frame=2, verdict="hold"),
                a_fact("mark", **mine, frame=2, verdict="out", revision=2, region=NECK),
            ],
        ),
        ("appraisal", [a_fact("selects_round", **mine, state="closed")]),
        ("exporting", [a_fact("hand_off")]),
        ("information package creation", [a_fact("note", **mine), a_fact("brief", grader=photographer)]),
        ("transfer", [a_fact("hand_out", retoucher=retoucher)]),
        ("quality review", [a_fact("take_back", sha256=digest("bad"), accepted=False, causes=["It has 8 bits."])]),
        ("quality review", [a_fact("take_back")]),
        ("creation", [a_fact("final"), a_final("colour", "plain-colour", COLOUR)]),
        (
            "quality review",
            [
                a_fact("sign_off", **mine),
                a_fact("sign_off", **mine, final="colour", final_sha256=digest("final 1 colour")),
            ],
        ),
        ("information package creation", [a_fact("delivery")]),
        ("dissemination", [a_fact("hand_over", **mine), a_fact("holding")]),
        ("policy assignment", [a_fact("block", frame=2)]),
        ("policy assignment", [a_fact("block", frame=2, revision=2, blocked=False, reason="the release is signed")]),
    ]


def the_later_batches(photographer: str, retoucher: str) -> list[Batch]:
    """What goes on after `the_batches`, in the kinds and fields that fold version 2 brought."""
    mine = {"person": photographer}
    collar, lint = "Collar crooked.", "Lint on the sleeve – links."
    drafts = [note_id(2, photographer, "remark", collar), note_id(2, retoucher, "remark", lint)]
    client = {"round": "client", "frame": 2, "fixable": True}
    stopped = {"frame": 4, "reason": "The decoder was not done after 120 s."}
    second = {"frame": 2, "round": 2}
    flat = {"path": "retouch/0002/round-2/flat.tif", "sha256": digest("flat 2.2"), **SIZED}
    donor = {"path": "retouch/0002/round-1/donor-0004.tif", "sha256": digest("base 4"), **SIZED}
    extras = [
        {"use": "donor", "name": "0004", "frame": 4, "exposure_stops": None, **donor},
        {"use": "rendering", "name": "shadows", "frame": 2, "exposure_stops": 1.5, **donor},
        {"use": "original", "name": "B.DNG", "frame": 2, "exposure_stops": None, **donor, **UNKNOWN},
    ]
    final = {
        "frame": 2,
        "round": 2,
        "sha256": digest("final 2 print"),
        "sources": [flat["sha256"]],
        "frames": [2, 4, 5],
    }
    file = {**TEMPLATES["delivery"]["files"][0], "frame": 2, "frames": [2, 4, 5], "final_sha256": final["sha256"]}
    signed = {"frame": 2, "final_sha256": final["sha256"], **mine}
    return [
        ("ingestion", [a_frame(4, name="D.DNG"), a_frame(5, name="E.DNG")]),
        ("validation", [a_fact("decode_attempt", **stopped), a_fact("decode_attempt", **stopped, attempt=2)]),
        (
            "validation",
            [
                a_fact("decode_attempt", frame=4, attempt=3, limit_seconds=600.5, outcome="decoded", reason=None),
                a_fact("decode_attempt", frame=5, limit_mb=4096),
                a_fact("decode_attempt", frame=5, attempt=2, outcome="refused", reason="The file ends early."),
            ],
        ),
        (
            "appraisal",
            [
                a_fact("selects_round", **mine, round="client"),
                a_fact("mark", **mine, **client, remark=collar, region=NECK),
                a_fact("mark", **client, person=retoucher, remark=lint),
                a_fact("mark", **client, person=retoucher, remark="Dust by the shoe.", revision=2),
            ],
        ),
        ("appraisal", [a_fact("selects_round", **mine, round="client", state="closed")]),
        (
            "appraisal",
            [
                a_fact(
                    "note",
                    **mine,
                    frame=2,
                    region=NECK,
                    draft=drafts[0],
                    donors=[{"frame": 4, "region": CHEEK}, {"frame": 5, "region": None}],
                ),
                a_fact("note", **mine, frame=2, note="n-0000000002"),
                a_fact("withdrawal", frame=2, note=drafts[1]),
                a_fact("withdrawal", frame=2, note="n-0000000002"),
                a_fact("withdrawal", frame=2, note="n-0000000002", revision=2, withdrawn=False, reason="Do it."),
            ],
        ),
        (
            "information package creation",
            [
                a_fact(
                    "brief",
                    frame=2,
                    grader=None,
                    notes=["n-0000000001", "n-0000000002"],
                    level={"name": "portrait", "instruction": "Skin stays skin."},
                    extras=extras,
                    cause=None,
                    base_round=0,
                )
            ],
        ),
        ("transfer", [a_fact("hand_out", frame=2, retoucher=retoucher)]),
        (
            "quality review",
            [
                a_fact("take_back", frame=2, sha256=digest("8 bits"), accepted=False, faults=[TECHNICAL]),
                a_fact("take_back", frame=2, sha256=digest("return 2.1"), accepted=False, faults=[UNDONE]),
            ],
        ),
        (
            "information package creation",
            [
                a_fact(
                    "brief",
                    **second,
                    path="retouch/0002/round-2",
                    level=None,
                    cause={"why": "missed note", "text": UNDONE["text"], "return": digest("return 2.1")},
                )
            ],
        ),
        ("transfer", [a_fact("hand_out", **second, retoucher=retoucher, due=None)]),
        (
            "quality review",
            [
                a_fact(
                    "take_back",
                    **second,
                    sha256=digest("return 2.2"),
                    faults=[],
                    to_review=True,
                    flat=flat,
                    hours=2.5,
                    remarks=["It came with an extra channel, which was left out."],
                    used=[5],
                )
            ],
        ),
        ("quality review", [a_fact("review", **second, sha256=digest("return 2.2"))]),
        (
            "appraisal",
            [
                a_fact("crop", frame=2),
                a_fact("crop", frame=2, revision=2, specification="yearbook-print", crop=SQUARE),
                a_fact("crop", frame=2, revision=3, specification="screen-2048", crop=None),
            ],
        ),
        ("creation", [a_fact("final", **final)]),
        ("quality review", [a_fact("sign_off", **signed, crop=3)]),
        ("information package creation", [a_fact("delivery", delivery=2, files=[{**file, "crop": SQUARE}])]),
        ("dissemination", [a_fact("hand_over", **mine, delivery=2)]),
        (
            "quality review",
            [
                a_fact(
                    "review",
                    **second,
                    sha256=digest("return 2.2"),
                    revision=2,
                    accepted=False,
                    why="client's change",
                    text="Hair over the ear after all.",
                )
            ],
        ),
        (
            "information package creation",
            [
                a_fact(
                    "brief",
                    frame=2,
                    round=3,
                    path="retouch/0002/round-3",
                    cause={
                        "why": "client's change",
                        "text": "Hair over the ear after all.",
                        "return": digest("return 2.2"),
                    },
                    base_round=2,
                )
            ],
        ),
        ("transfer", [a_fact("hand_out", frame=2, round=3, retoucher=retoucher)]),
        ("transfer", [a_fact("call_off", frame=2, round=3, reason="The client wants it as it was – leave it.")]),
        ("quality review", [a_fact("review", **second, sha256=digest("return 2.2"), revision=3)]),
        (
            "appraisal",
            [
                a_fact("selects_round", **mine, round="spread"),
                a_fact("selects_round", **mine, round="cover"),
                a_fact("mark", **mine, round="spread", frame=4),
                a_fact("mark", **mine, round="cover", frame=4, verdict="out"),
                a_fact("selects_round", **mine, round="cover", state="closed"),
            ],
        ),
        ("appraisal", [a_fact("selects_round", **mine, round="spread", state="closed")]),
    ]


def the_shoot_batches(photographer: str, assistant: str) -> list[Batch]:
    """Another day of the shoot, in the kinds and fields that fold version 3 brought."""
    shot = [
        (6, 9998, "2026-11-26T10:03:16.25+01:00"),
        (7, 9999, "2026-11-26T10:03:17.75+01:00"),
        (8, 9999, "2026-11-26T10:03:17"),  # the same exposure, from the card
        (9, 3, "2026-11-26T10:03:20"),
    ]
    scope = {
        "older_than_days": 7.5,
        "before": "2026-11-19T21:00:00.000000Z",
        "sample": 3,
        "of": 11,
        "seed": "0f3c2a91d7b45e68",
    }
    return [
        (
            "metadata modification",
            [
                a_fact("on_set", purpose="test"),
                a_fact("on_set", revision=2, set_up=None),
                a_fact("on_set", revision=3, arrangement=2),
            ],
        ),
        (
            "transfer",
            [a_fact("card", person=assistant), a_fact("card", card="b_1-2", camera=None, person=photographer)],
        ),
        ("ingestion", [a_frame(number, name=f"F{counter:04d}.DNG") for number, counter, _ in shot]),
        (
            "metadata extraction",
            [
                a_fact("identified", frame=number, serial="0002 ß", counter=counter, captured=captured)
                for number, counter, captured in shot
            ],
        ),
        (
            "appraisal",
            [
                a_fact("set_up", frame=6),
                a_fact("set_up", frame=7, arrangement=2),
                a_fact("set_up", frame=6, revision=2, arrangement=3),
            ],
        ),
        (
            "metadata modification",
            [
                a_fact("purpose", frame=6),
                a_fact("purpose", frame=7, purpose="test"),
                a_fact("purpose", frame=7, revision=2, purpose="picture"),
            ],
        ),
        (
            "metadata modification",
            [
                a_fact("clock", frame=None, how="typed", offset_s=3600),
                a_fact("clock", serial="0002 ß", frame=6),
                a_fact("clock", revision=2, offset_s=0.125),
            ],
        ),
        (
            "transfer",
            [
                a_fact("card", revision=2, state="returned", person=assistant),
                a_fact("card", revision=3, state="taken_in", camera=None, person=None),
            ],
        ),
        ("transfer", [a_fact("card", revision=4, camera="0002 ß", person=assistant)]),
        (
            "fixity check",
            [
                a_fact("fixity_pass", **{"pass": 2}, scope=None),
                a_fact("fixity_pass", **{"pass": 2}, state="closed"),
                a_fact("fixity_pass", **{"pass": 3}, scope=scope),
                a_fact("fixity_pass", **{"pass": 3}, state="closed", scope=None),
            ],
        ),
        (
            "fixity check",
            [a_fact("fixity_pass", **{"pass": 4}, scope=dict.fromkeys(scope) | {"older_than_days": 0})],
        ),
        (
            "transfer",
            [a_fact("carrier", person=assistant), a_fact("carrier", volume=WORKING, person=None)],
        ),
        ("transfer", [a_fact("carrier", revision=2, person=photographer)]),
    ]


def the_balanced_batches(photographer: str, retoucher: str) -> list[Batch]:
    """White balance and exposure of a set-up, in the kinds and fields that fold version 4 brought."""
    balance = {"multipliers": [2.0625, 1, 1.5], "stops": 0.25}
    matched = {"multipliers": None, "stops": -0.5}
    picked = {"frame": 8, "round": 1, "path": "retouch/0008/round-1"}
    optional: Fact = {"level": None, "extras": [], "cause": None, "base_round": 0}
    return [
        (
            "metadata modification",
            [
                a_fact("balance", frame=6),
                a_fact("balance", camera="", how="typed", frame=None, region=None),
                a_fact(
                    "balance", camera="", revision=2, how="as shot", multipliers=None, stops=0, frame=None, region=None
                ),
                a_fact("balance", arrangement=2, how="of a frame", multipliers=[1.75, 1, 1.875], frame=7, region=None),
            ],
        ),
        (
            "metadata modification",
            [
                a_fact("exposure_match", frame=7, to=6),
                a_fact("exposure_match", frame=8, how="typed", to=None),
                a_fact("exposure_match", frame=7, revision=2, how="as shot", stops=0, to=None),
            ],
        ),
        (
            "creation",
            [
                a_fact("proof", frame=6, sha256=digest("proof 6")),
                a_fact("proof", frame=6, sha256=digest("proof 6 balanced"), path="proofs/0006.b.jpg", balance=balance),
                a_fact("proof", frame=8, sha256=digest("proof 8"), balance=matched),
            ],
        ),
        (
            "information package creation",
            [a_fact("note", frame=8, person=photographer), a_fact("brief", **picked, **optional, balance=matched)],
        ),
        (
            "creation",
            [
                a_fact("final", frame=9, round=0, sha256=digest("final 9"), frames=[9]),
                a_fact("final", frame=9, round=0, sha256=digest("final 9 balanced"), frames=[9], balance=balance),
            ],
        ),
    ]
