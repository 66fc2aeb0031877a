"""A path is followed to where the file lies, for one file as for thousands in the same folder."""

import pytest

from gpubench_kit.sheet.checks import RealPaths


@pytest.fixture
def places(tmp_path):
    """Return the places of a review folder with a link to a file and one to a folder outside."""
    (tmp_path / "review" / "logs").mkdir(parents=True)
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "far.csv").touch()
    (tmp_path / "review" / "logs" / "near.csv").touch()
    (tmp_path / "review" / "logs" / "link.csv").symlink_to(tmp_path / "outside" / "far.csv")
    (tmp_path / "review" / "away").symlink_to(tmp_path / "outside")
    (tmp_path / "review-2").mkdir()
    return RealPaths(tmp_path / "review")


@pytest.mark.parametrize(
    ("name", "is_inside"),
    [
        ("logs/near.csv", True),
        ("logs/not-there.csv", True),
        ("logs/../logs/near.csv", True),
        ("logs/..", True),
        ("logs/link.csv", False),
        ("away/far.csv", False),
        ("../outside/far.csv", False),
        ("logs/../../outside/far.csv", False),
        ("../review-2/near.csv", False),
        (".", True),
        ("..", False),
    ],
)
def test_real_path_is_that_of_the_file_and_told_to_be_inside_or_not(places, name, is_inside):
    for _ in range(2):  # the second time the folder is known
        real = places.real(places.root / name)
        assert real == (places.root / name).resolve()
        assert places.has(real) is is_inside
