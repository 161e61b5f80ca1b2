"""How the set came about, as plain text: whose peaks they were, the steps, the sets weighed."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from chainweigh.chain.chain import BYPASS_NAME
from chainweigh.ranking.results import ChosenSet, Expectation
from chainweigh.ranking.set_results import (
    ConsideredSet,
    GroupShare,
    PeakMoment,
    Peaks,
    PeakSection,
    SetsConsidered,
    SetStep,
)
from chainweigh.report.formats import number, one_line, plain, signed
from chainweigh.report.text_table import (
    Column,
    bullets,
    column_widths,
    cut,
    heading_lines,
    row_line,
    wrapped,
)

NAME_CELLS = 32
N_MOMENTS = 4
PEAKS = (
    Column("group", right=False),
    Column("share of\npeaks %"),
    Column("falls\nwithout dB"),
    Column("share\nin set %"),
    Column("falls\nwithout dB"),
)
EXPECTED = (
    Column("where", right=False),
    Column("measure", right=False),
    Column("won with"),
    Column("here"),
    Column("change"),
)


def set_lines(chosen: ChosenSet, width: int) -> Iterator[str]:
    """The mix's peaks before and after, the steps in between, and the sets that were weighed."""
    if chosen.peaks_before is not None and chosen.peaks_after is not None:
        yield ""
        yield from _peak_lines(chosen.peaks_before, chosen.peaks_after, width)
    if chosen.steps:
        yield ""
        yield "Steps to the set, the group with most of the mix's peaks first"
        yield from bullets([_step_text(step) for step in chosen.steps], width)
    if chosen.sets is not None:
        yield ""
        groups = [choice.group for choice in chosen.choices]
        yield from _sets_lines(chosen.sets, groups, width)


def _step_text(step: SetStep) -> str:
    share = "" if step.share_pct is None else f" ({plain(step.share_pct, 0)} % of the peaks)"
    got = "" if step.mix_headroom_db is None else f": {plain(step.mix_headroom_db)} dB of headroom"
    return one_line(f"{step.group}{share} takes {step.candidate}{got}")


def _peak_lines(before: Peaks, after: Peaks, width: int) -> Iterator[str]:
    yield "Whose the mix's highest true peaks are, dry and in the set"
    in_set = {share.group: share for share in after.shares}
    rows = [
        [
            cut(one_line(share.group), NAME_CELLS),
            *_share(share),
            *_share(in_set.get(share.group)),
        ]
        for share in before.shares
    ]
    widths = column_widths(PEAKS, rows)
    yield from heading_lines(PEAKS, widths)
    yield from (row_line(row, PEAKS, widths) for row in rows)
    yield from bullets([_moment_text(moment) for moment in before.moments[:N_MOMENTS]], width)
    for leader, stretch in groupby(before.sections, key=lambda section: _most(section).group):
        yield from bullets([_stretch_text(leader, list(stretch))], width)


def _most(peak: PeakMoment | PeakSection) -> GroupShare:
    return max(peak.shares, key=lambda share: share.share_pct)


def _moment_text(moment: PeakMoment) -> str:
    most = _most(moment)
    fall = "" if most.fall_db is None else f"; without it {plain(most.fall_db)} dB lower"
    return one_line(
        f"{plain(moment.at_s)} s: {signed(moment.true_peak_dbtp)} dBTP, "
        f"{plain(most.share_pct, 0)} % of it {most.group}{fall}"
    )


def _stretch_text(leader: str, sections: Sequence[PeakSection]) -> str:
    """Sections in a row whose peaks are mostly one group's."""
    highest = max(section.true_peak_dbtp for section in sections)
    shares = sorted(_most(section).share_pct for section in sections)
    share = " to ".join(dict.fromkeys((plain(shares[0], 0), plain(shares[-1], 0))))
    return one_line(
        f"{sections[0].from_s:g} to {sections[-1].to_s:.4g} s: up to {signed(highest)} dBTP, "
        f"{leader} makes {share} % of the peaks"
    )


def _share(share: GroupShare | None) -> list[str]:
    if share is None:
        return ["n/a", "n/a"]
    fall = "alone" if share.fall_db is None else plain(share.fall_db)
    return [plain(share.share_pct, 0), fall]


def _sets_lines(sets: SetsConsidered, groups: Sequence[str], width: int) -> Iterator[str]:
    yield from wrapped(
        f"Sets weighed on the mix: {sets.n_weighed} of {sets.n_possible} ({sets.how})", width
    )
    yield from bullets([_set_text(considered, groups) for considered in sets.best], width)
    if sets.left_out:
        yield "Left out of the sets"
        yield from bullets([one_line(text) for text in sets.left_out], width)


def _set_text(considered: ConsideredSet, groups: Sequence[str]) -> str:
    score = "n/a" if considered.score_lu is None else f"{signed(considered.score_lu)} LU"
    worked = [
        f"{group} = {candidate}"
        for group, candidate in zip(groups, considered.candidates, strict=False)
        if candidate != BYPASS_NAME
    ]
    return one_line(f"{score}, {'; '.join(worked) or 'every group dry'}: {considered.why}")


def expectation_lines(expectations: Sequence[Expectation]) -> Iterator[str]:
    """The numbers a recipe won with beside those of this song."""
    rows = [
        [
            cut(one_line(row.where), NAME_CELLS),
            row.measure,
            "n/a" if row.won_with is None else number(row.measure, row.won_with),
            "n/a" if row.here is None else number(row.measure, row.here),
            "" if row.won_with is None or row.here is None else row.remark,
        ]
        for row in expectations
    ]
    widths = column_widths(EXPECTED, rows)
    yield "The recipe's winning numbers beside this song's"
    yield from heading_lines(EXPECTED, widths)
    yield from (row_line(row, EXPECTED, widths) for row in rows)
