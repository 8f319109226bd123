"""Bad copies on one medium are seen as one thing."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.corruption import BadCopy, find_clusters


def bad(number: int | None, volume: str = "v-1", medium: str = "disk 1", folder: str = "originals/100") -> BadCopy:
    return BadCopy(volume, medium, f"{folder}/{number}.DNG", number)


def test_one_bad_copy_on_each_disk_is_no_cluster() -> None:
    assert find_clusters([]) == []
    assert find_clusters([bad(1), bad(1, "v-2", "disk 2")]) == []


def test_two_on_one_disk() -> None:
    (found,) = find_clusters([bad(1, folder="originals/100"), bad(9, folder="originals/101"), bad(3, "v-2", "disk 2")])
    assert (found.medium, len(found.copies), found.folders, found.runs) == ("disk 1", 2, (), ())


def test_one_folder_and_neighbours() -> None:
    copies = [bad(n) for n in (7, 4, 5, 6, 9)] + [bad(10, folder="originals/101")]
    (found,) = find_clusters(copies)
    assert found.folders == (("v-1", "originals/100"),)
    assert found.runs == ((4, 7), (9, 10))


def test_two_volumes_of_one_disk_are_one_cluster_but_not_neighbours() -> None:
    (found,) = find_clusters([bad(4), bad(5, "v-2")])
    assert {copy.volume for copy in found.copies} == {"v-1", "v-2"}
    assert (found.folders, found.runs) == ((), ())


def test_companion_counts_as_its_frame_and_a_stray_as_none() -> None:
    companion = BadCopy("v-1", "disk 1", "originals/100/4.JPG", 4)
    (found,) = find_clusters([bad(4), companion, bad(None)])
    assert (len(found.copies), found.runs) == (3, ())


def test_the_worst_disk_comes_first() -> None:
    found = find_clusters([bad(1), bad(2), *(bad(n, "v-2", "disk 2") for n in (1, 2, 3))])
    assert [cluster.medium for cluster in found] == ["disk 2", "disk 1"]


@given(
    st.lists(
        st.builds(
            lambda n, volume, folder: bad(n, f"v-{volume}", f"disk {volume % 2}", folder),
            st.integers(1, 12),
            st.integers(0, 3),
            st.sampled_from(["originals/100", "originals/101"]),
        )
    ),
    st.randoms(use_true_random=False),
)
def test_clusters_hold_each_bad_copy_of_a_disk_once_in_any_order(copies: list[BadCopy], mixed: object) -> None:
    found = find_clusters(copies)
    assert find_clusters(sorted(copies, key=lambda _: mixed.random())) == found  # type: ignore[attr-defined]
    held = [copy for cluster in found for copy in cluster.copies]
    assert len(set(held)) == len(held)
    for copy in set(copies):
        assert (copy in held) == (sum(other.medium == copy.medium for other in set(copies)) > 1)
    for cluster in found:
        frames = {copy.frame for copy in cluster.copies}
        assert all(set(range(first, last + 1)) <= frames and last > first for first, last in cluster.runs)
