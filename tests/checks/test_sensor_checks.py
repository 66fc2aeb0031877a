"""Sensors that only some logs of a card gave: told once, with the runs, and no difference between tunings."""


def _drop(small, *runs, metric):
    """Take a metric away from runs."""
    gone = small.metrics["run"].isin(runs) & (small.metrics["metric"] == metric)
    small.metrics = small.metrics[~gone]


def test_a_sensor_that_some_logs_did_not_give_is_a_note(small):
    _drop(small, "r03", "r07", metric="core_mhz")
    (finding,) = small.find("sensor_in_part")
    assert (finding.severity, finding.check, finding.run) == ("note", "sensor_in_part", "")
    assert (finding.found, finding.limit, finding.unit) == (14.0, 16.0, "runs")
    assert "was found in 14 of 16 runs with samples, not in 'r03', 'r07'." in finding.message
    assert 'sensors = { core_mhz = "..." }' in finding.action


def test_sensors_that_all_or_none_gave_pass(small):
    _drop(small, *small.runs["run"], metric="core_mhz")
    assert small.find("sensor_in_part") == []


def test_frame_metrics_and_runs_without_samples_are_of_no_concern(small):
    _drop(small, "r03", metric="low_1pct_fps")
    small.spoil("r05", n_samples=0)
    _drop(small, "r05", metric="core_mhz")
    assert small.find("sensor_in_part") == []


def test_each_card_is_looked_at_by_itself(small):
    rival = small.runs["run"].isin([f"r{k:02d}" for k in range(9, 17)])
    small.runs.loc[rival, "card"] = "Tidewater 9"
    _drop(small, *small.runs.loc[rival, "run"], metric="core_mv")
    assert small.find("sensor_in_part") == []
