"""What the section with the cautions says about stability: bounds, never a promise."""

from gpubench_kit import page
from gpubench_kit.model.plan import ReviewPlan


def limits_of(*tunings: dict) -> str:
    """Return the section on limits of a plan with the given tunings beside the reference."""
    plan = {
        "review": {"title": "Stability"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, *tunings],
        "games": [{"name": "Salt Orchard"}],
    }
    return str(page.cautions(ReviewPlan.from_dict(plan)).text)


def test_hours_without_a_failure_are_told_as_a_bound_on_the_rate():
    body = limits_of({"name": "quiet", "stability": [{"hours": 8.0}, {"hours": 4.5, "failures": 0}]})
    # 2.9957 / 12.5 h is one in 4.17 h.
    assert "quiet: 0 failures in 12.5 hours: fewer than 1 per 4.1 hours with 95 % confidence." in body.replace(
        "\u00a0", " "
    )
    assert "None is proof." in body
    assert "No hours of testing" not in body


def test_a_failure_is_told_as_not_stable():
    body = limits_of({"name": "brisk", "stability": [{"hours": 10.0, "failures": 1}]})
    assert "brisk: 1 failure in 10 hours: not stable" in body.replace("\u00a0", " ")


def test_tunings_without_hours_are_named_and_names_are_data():
    body = limits_of({"name": "quiet"}, {"name": "<b>brisk</b>"})
    assert "No hours of testing are stated for quiet and &lt;b&gt;brisk&lt;/b&gt;" in body
    assert "for factory" not in body
