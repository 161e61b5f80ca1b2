"""Geometry of the plot; expected positions from the tick labels, as a reader would take them."""

from dataclasses import replace

import pytest

from chainweigh.ranking.settings import Budget, RankSettings
from chainweigh.report.plots import NARROW, WIDE, plot_comparison

FRAMES = pytest.mark.parametrize("frame", [WIDE, NARROW], ids=["wide", "narrow"])


def read_off(ticks, at):
    """The number at a position, from the labels of the outermost ticks."""
    first, last = ticks[0], ticks[-1]
    low, high = (float(t.text.replace("\u2212", "-")) for t in (first, last))
    return low + (at - first.at) / (last.at - first.at) * (high - low)


def by_name(plot):
    return {point.title.split(":")[0]: point for point in plot.points}


def shown(comparison):
    return [c for c in comparison.candidates if c.failure is None]


@FRAMES
def test_every_point_lies_where_the_ticks_say(results, frame):
    comparison = results.comparisons[0]
    plot = plot_comparison(comparison, results.settings, frame)
    points = by_name(plot)
    assert len(points) == 7
    for candidate in shown(comparison):
        point, standing = points[candidate.name], candidate.standing
        assert read_off(plot.x_ticks, point.x) == pytest.approx(standing.added_thdn_pct, abs=0.03)
        assert read_off(plot.y_ticks, point.y) == pytest.approx(standing.loudness_gain_lu, abs=0.01)


@FRAMES
def test_the_budget_line_and_the_zero_line_lie_on_their_values(results, frame):
    plot = plot_comparison(results.comparisons[0], results.settings, frame)
    assert read_off(plot.x_ticks, plot.budget_x) == pytest.approx(10.0, abs=0.03)
    assert read_off(plot.y_ticks, plot.zero_y) == pytest.approx(0.0, abs=0.01)


def test_a_budget_far_beyond_every_candidate_is_not_drawn(results):
    settings = RankSettings(budget=Budget(500.0))
    plot = plot_comparison(results.comparisons[0], settings, WIDE)
    assert plot.budget_x is None
    assert plot.budget_text == "budget 500 %"


def test_kinds_tell_winner_front_inside_and_over_budget(results):
    points = by_name(plot_comparison(results.comparisons[0], results.settings, WIDE))
    assert points["Firm clip"].kind == "winner"
    assert points["Soft clip"].kind == "front"
    assert points["Fast limiter"].kind == "within"
    assert points["Deep clip"].kind == "over"


def test_the_front_passes_through_its_points_from_left_to_right(results):
    plot = plot_comparison(results.comparisons[0], results.settings, WIDE)
    points = by_name(plot)
    bypass, soft, firm = (points[n] for n in ("bypass", "Soft clip", "Firm clip"))
    assert plot.front.startswith(f"M{bypass.x} {bypass.y}H{soft.x}V{soft.y}H{firm.x}V{firm.y}")


def test_the_line_of_equal_score_passes_through_the_winner_at_the_price(results):
    plot = plot_comparison(results.comparisons[0], results.settings, WIDE)
    ends = [tuple(map(float, end.split())) for end in plot.score_line[1:].split("L")]
    for x, y in ends:
        pct, lu = read_off(plot.x_ticks, x), read_off(plot.y_ticks, y)
        assert lu - 0.1 * pct == pytest.approx(1.42 - 0.1 * 2.31, abs=0.01)


def test_one_far_outlier_sits_at_the_edge_and_says_so(results, make):
    near = [make.candidate(f"c{i}", i, 1 - i / 10, i / 2) for i in range(1, 6)]
    far = make.candidate("far", 6, 1.5, 900.0, over=True)
    plot = plot_comparison(make.comparison("drums", [*near, far]), results.settings, WIDE)
    points = by_name(plot)
    assert points["far"].beyond
    assert points["far"].x <= WIDE.width - WIDE.right
    assert not any(p.beyond for name, p in points.items() if name != "far")
    assert points["c5"].x - points["c1"].x > 60


@FRAMES
def test_sixty_candidates_keep_inside_and_no_two_labels_overlap(results, make, frame):
    many = [
        make.candidate(f"Chain {i}", i, 2 - 0.03 * i, (i * 37 % 60) / 8, front=i % 9 == 1)
        for i in range(1, 61)
    ]
    plot = plot_comparison(make.comparison("drums", many), results.settings, frame)
    assert len(plot.points) == 60
    boxes = []
    for point in plot.points:
        assert frame.left <= point.x <= frame.width - frame.right
        assert frame.top <= point.y <= frame.height - frame.bottom
        if point.label is None:
            continue
        label, width = point.label, len(point.label.text) * frame.letter
        left = {"start": label.x, "end": label.x - width, "middle": label.x - width / 2}
        boxes.append((left[label.anchor], label.y - 11, left[label.anchor] + width, label.y + 3))
    assert len(boxes) >= 20
    for i, one in enumerate(boxes):
        for other in boxes[:i]:
            apart = one[0] >= other[2] or other[0] >= one[2]
            assert apart or one[1] >= other[3] or other[1] >= one[3]


def test_a_candidate_without_a_number_is_left_out(results, make):
    mute = make.candidate("Mute", 2, 1.0, 1.0, loudness_gain_lu=None)
    comparison = make.comparison("drums", [make.candidate("A", 1, 1.0, 1.0), mute])
    assert list(by_name(plot_comparison(comparison, results.settings, WIDE))) == ["A"]


def test_no_numbers_at_all_give_no_plot(results, make):
    comparison = make.comparison("drums", [make.failed("x", 1, "broken")])
    assert plot_comparison(comparison, results.settings, WIDE) is None


@pytest.mark.parametrize(("gain_lu", "pct"), [(0.0, 0.0), (-3.0, 0.0), (0.0, 1e-9), (12.0, 5e4)])
def test_one_candidate_anywhere_can_be_drawn(results, make, gain_lu, pct):
    comparison = make.comparison("drums", [make.candidate("A", 1, gain_lu, pct)])
    plot = plot_comparison(comparison, results.settings, WIDE)
    assert len(plot.points) == 1
    assert len(plot.x_ticks) >= 2
    assert len(plot.y_ticks) >= 2


def test_a_price_of_zero_makes_the_line_level(results):
    settings = replace(results.settings, price_lu_per_pct=0.0)
    plot = plot_comparison(results.comparisons[0], settings, WIDE)
    ends = [tuple(map(float, end.split())) for end in plot.score_line[1:].split("L")]
    assert ends[0][1] == ends[1][1]
