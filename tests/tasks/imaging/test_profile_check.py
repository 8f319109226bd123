"""Our profiles as LittleCMS reads them, and what is said when one is not as it should be."""

from __future__ import annotations

from dataclasses import replace

import pytest

from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.profile_check import find_profile_faults


def test_every_profile_that_we_write_is_right() -> None:
    assert find_profile_faults() == []


def test_profile_that_cannot_be_opened_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = icc_profile.profile_bytes
    monkeypatch.setattr(
        icc_profile, "profile_bytes", lambda name: whole(name)[:90] if name == "ROMM RGB" else whole(name)
    )
    (fault,) = find_profile_faults()
    assert fault.startswith("LittleCMS cannot open the profile ROMM RGB (")


@pytest.mark.parametrize("name", icc_profile.SPACES)
def test_profile_with_another_curve_is_named_with_both_colours(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    other = icc_profile._profile(replace(icc_profile.SPACES[name], curve=icc_profile.Curve(1.0)), name)
    whole = icc_profile.profile_bytes
    monkeypatch.setattr(icc_profile, "profile_bytes", lambda asked: other if asked == name else whole(asked))
    (fault,) = find_profile_faults()  # a full red is the same under any curve
    assert fault.startswith(f"by the profile {name} a sample is Lab ")
    assert "is right" in fault


def test_srgb_with_other_primaries_is_seen_by_the_published_red(monkeypatch: pytest.MonkeyPatch) -> None:
    wide = replace(icc_profile.SPACES["sRGB"], primaries=icc_profile.SPACES["ROMM RGB"].primaries)
    icc_profile._from_romm.cache_clear()
    icc_profile.profile_bytes.cache_clear()
    monkeypatch.setitem(icc_profile.SPACES, "sRGB", wide)  # formula and profile agree, and both are wrong
    try:
        (fault,) = find_profile_faults()
    finally:
        icc_profile._from_romm.cache_clear()
        icc_profile.profile_bytes.cache_clear()
    assert "54.29 80.81 69.89 is right" in fault
