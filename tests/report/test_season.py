"""The season's page and card from a hand-made record."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_day import made_day

from sailanalysis.report import write_season_report
from sailanalysis.report.page.sections import figures_of
from sailanalysis.report.season.sections import season_head, season_sections

EVIL = '<script>window.hurt=1</script>"><img src=x onerror=1>'


def made_season(sails: str = "main+jib", helm: str = "Ada", boat: str = "Made Up"):
    day = made_day(sails=sails)
    dates = ["2025-06-01", "2025-06-08", "2025-06-15", "2025-06-22"]
    frame = pd.DataFrame
    return SimpleNamespace(
        start=dates[0], end=dates[-1], boat_name=boat,
        days=frame({"day": dates, "sailing_s": 7200.0, "distance_over_ground_nm": 12.0, "tacks": 8, "gybes": 3,
                    "steady_minutes": 80.0, "polar_ratio": 0.97, "smoothness": 50.0}),
        model=SimpleNamespace(speed_kn=lambda tws, twa, sails="all": np.full(np.shape(twa), 6.5)),
        polar=day.polar, targets=day.targets,
        experiments=frame([{"subject": "sails: a to b", "change": f"{sails} to jib", "twa_low_deg": 70.0,
                            "twa_high_deg": 85.0, "tws_low_kn": 11.0, "tws_high_kn": 15.0,
                            "gain_kn": 1.0, "gain_low_kn": 0.8, "gain_high_kn": 1.2, "days": 12,
                            "tries": 14, "verdict": "faster", "item": "sails", "minutes": 150.0}]),
        crossovers=frame([{"tws_kn": 10.0, "twa_deg": 100.0, "awa_deg": 60.0, "aws_kn": 12.0, "best_sails": sails,
                           "gain_kn": 0.4, "next_best_sails": "main+genoa", "confidence": 0.99, "gain_low_kn": 0.1,
                           "gain_high_kn": 0.7}]),
        faster=frame([{"sails": sails, "over": "main+genoa", "tws_low_kn": 8.0, "tws_high_kn": 12.0,
                       "twa_low_deg": 95.0, "twa_high_deg": 110.0, "awa_low_deg": 60.0, "awa_high_deg": 75.0,
                       "gain_kn": 0.4}]),
        crossover_lines=frame({"tws_kn": [10.0], "twa_deg": [92.5], "below": [sails], "above": ["main+genoa"]}),
        pairs=frame(), legs=frame(), coverage=frame(), sail_next=("20 minutes of close reach in 12-16 kn.",),
        helm_progress=frame([{"helm": helm, "day": d, "smoothness": 48.0 + k, "smoothness_low": 40.0,
                              "smoothness_high": 58.0} for k, d in enumerate(dates)]),
        helm_trend=frame([{"helm": helm, "days": 4, "trend": 1.4, "trend_low": -0.5, "trend_high": 3.3,
                           "verdict": "no change shown yet"}]),
        maneuver_progress=frame([{"helm": helm, "kind": "tack", "day": d, "count": 8, "loss_m_median": 20.0,
                                  "loss_m_low": 15.0, "loss_m_high": 26.0} for d in dates]),
        advice=frame([{"proposed": dates[0], "source": "program", "measure": "rudder_percent", "helm": helm, "unit": "%",
                       "then": 110.0, "then_low": 100.0, "then_high": 120.0, "since": 90.0, "since_low": 84.0,
                       "since_high": 96.0, "change": -20.0, "change_low": -32.0, "change_high": -8.0, "days_before": 4,
                       "days_since": 6, "last": dates[-1], "verdict": "helped", "aim": ""}]),
        calibration=frame([{"date": d, "day": d, "key": "stw_factor", "value": 1.02, "low": 1.01, "high": 1.03,
                            "determined": True, "boat_file": 1.0, "total": 1.02} for d in dates]),
        sensors=frame([{"date": d, "day": d, "key": "stw_factor", "value": 1.02, "low": 1.01, "high": 1.03,
                        "stepped": False, "day_value": 1.02, "day_low": 1.0, "day_high": 1.04} for d in dates]),
        calibration_trend=frame([{"key": "stw_factor", "days": 4, "trend_per_30_days": 0.02, "low": 0.01,
                                  "high": 0.03, "verdict": "drifting"}]),
        polar_change=frame([{"day": d, "date": d, "factor": 1.0, "low": 0.98, "high": 1.02, "minutes": 80.0}
                            for d in dates]),
        polar_trend=SimpleNamespace(percent=-1.0, low=-3.0, high=1.0), polar_step={},
        effects=(SimpleNamespace(name="load per 1000 kg", percent=-3.0, low=-5.0, high=-1.0, minutes=60.0),),
        findings=())


def test_every_section_speaks_and_every_figure_is_valid():
    season = made_season()
    sections = season_sections(season)
    assert [s.key for s in sections] == ["days", "polar", "crossovers", "experiments", "coverage", "helm", "maneuvers",
                                         "advice", "change",
                                         "instruments"]
    for section in sections:
        assert section.verdict.endswith(".")
        for figure in figures_of(section):
            figure.plotly()
    head = season_head(season, sections)
    assert 3 <= len(head.findings) <= 5
    assert [table.key for table in head.sheet] == ["sheet-targets", "sheet-crossovers", "sheet-helms", "sheet-next"]


def test_no_verdict_without_its_interval():
    sections = {s.key: s for s in season_sections(made_season())}
    assert "No change of the boat's speed is shown" in sections["change"].verdict
    assert "drifts by 0.020 (" in sections["instruments"].verdict.replace("+", "")
    assert "(−0.5 to +3.3)" in sections["helm"].verdict


def test_an_empty_season_is_told_calmly(tmp_path):
    season = made_season()
    for name, value in vars(season).items():
        if isinstance(value, pd.DataFrame) and name != "days":
            setattr(season, name, value.iloc[:0])
    season.sail_next = ()
    assert "Too little steady sailing" in {s.key: s for s in season_sections(season)}["polar"].verdict
    write_season_report(season, tmp_path)
    assert "Too little" in (tmp_path / "card.html").read_text()


def test_page_and_card_keep_hostile_names_as_text(tmp_path):
    write_season_report(made_season(sails=EVIL, helm=EVIL, boat=EVIL), tmp_path, plotly_beside=True)
    for name in ("season.html", "card.html"):
        page = (tmp_path / name).read_text(encoding="utf-8")
        assert "<script>window" not in page and "<img" not in page


@pytest.mark.parametrize("name", ["season.html", "card.html"])
def test_nothing_is_fetched(tmp_path, name):
    write_season_report(made_season(), tmp_path, plotly_beside=True)
    page = (tmp_path / name).read_text(encoding="utf-8")
    assert "default-src 'none'" in page and not re.search(r"(?:src|href)=[\"'](?:https?:)?//", page)


def test_the_card_holds_the_targets(tmp_path):
    write_season_report(made_season(), tmp_path)
    page = (tmp_path / "card.html").read_text(encoding="utf-8")
    assert "42°" in page and "(28°)" in page and "the rules of the road" in page
