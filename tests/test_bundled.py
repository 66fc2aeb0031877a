"""What comes with the kit is found in a checkout and in an installed package."""

from __future__ import annotations

import pytest

from gpubench_kit import files
from gpubench_kit.files import bundled_path
from gpubench_kit.model.errors import ReportError


def test_a_checkout_holds_the_bundled_reviews_beside_the_package():
    assert (bundled_path("data", "ten_games") / "plan.toml").is_file()
    assert (bundled_path("data", "real_scenes") / "plan.toml").is_file()


def test_an_installed_package_holds_them_inside(tmp_path, monkeypatch):
    (tmp_path / "kit" / "notebooks").mkdir(parents=True)
    (tmp_path / "kit" / "notebooks" / "one.ipynb").touch()
    monkeypatch.setattr(files, "_PACKAGE", tmp_path / "kit")
    assert bundled_path("notebooks", "one.ipynb") == tmp_path / "kit" / "notebooks" / "one.ipynb"


def test_what_is_missing_is_named_with_both_places(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "_PACKAGE", tmp_path / "kit")
    with pytest.raises(ReportError, match=r"'one\.ipynb' is neither in .*kit.notebooks nor in .*notebooks"):
        bundled_path("notebooks", "one.ipynb")
