"""Everything a run measured, as results.json holds it.

Conventions
-----------
Reference first, candidate second. A value that is not defined is None, and `undefined` of the same
record says why, under the field's name. Nothing here depends on the clock or on where files lie.
"""

from dataclasses import dataclass, field

from chainweigh.measure.image import ImageChange
from chainweigh.measure.sections import Contrast
from chainweigh.measure.spectrum import SpectrumChange
from chainweigh.measure.summary import FileMeasures
from chainweigh.ranking.front_results import Front
from chainweigh.ranking.ladder_results import Ladder
from chainweigh.ranking.revision_results import Revision
from chainweigh.ranking.set_results import Peaks, SetsConsidered, SetStep
from chainweigh.ranking.settings import RankSettings

SCHEMA = "1.4"

MASTER = "master"

Reasons = dict[str, str]
Written = float | int | str | bool


@dataclass(frozen=True)
class ResolvedSetting:
    """One setting of a stage: as the chain file writes it, and as it was rendered.

    `written` is None where the chain file left the default; `relative` marks level
    expressions and note values; `note` says where a level was not read as its name says. Of a
    plug-in, `actual` is the plain value it held and `displayed` its own text for that; both are
    None of an effect.
    """

    key: str
    written: Written | None
    rendered: Written
    relative: bool
    note: str | None = None
    actual: float | None = None
    displayed: str | None = None


@dataclass(frozen=True)
class ResolvedPlugin:
    """The plug-in that rendered a stage.

    `digest` is of its file. `shift_frames` is what the output was moved earlier; `alignment` says
    whether that is the reported latency, confirmed (`agreed`) or not (`unverified`), or one the
    programme showed instead (`corrected`). `verdict` is that of `chainweigh plugins test` on this
    file, `not tested` where there is none; `verdict_reasons` is why. `preset` is how recipe.toml
    names the preset that was loaded: by URI, or by its copy in the run's folder.
    """

    format: str
    id: str
    name: str
    vendor: str
    version: str
    digest: str
    latency_frames: int
    shift_frames: int
    alignment: str
    notes: tuple[str, ...]
    verdict: str = "not tested"
    verdict_reasons: tuple[str, ...] = ()
    preset: str | None = None


@dataclass(frozen=True)
class ResolvedStage:
    """One stage as it was rendered; `plugin` is None of a built-in effect."""

    effect: str
    settings: tuple[ResolvedSetting, ...]
    intended: bool
    plugin: ResolvedPlugin | None = None


@dataclass(frozen=True)
class ToneMeasures:
    """Distortion on test tones driven as the programme drives the chain (AES17 form, percent).

    `thdn_pct` has one row a frequency and one column a level; `thdn_with_intended_pct` counts the
    stages marked intended as distortion too and is None where there are none.
    """

    thdn_peak_pct: float | None
    thdn_steady_pct: float | None
    thdn_ridden_pct: float | None
    thdn_programme_pct: float | None
    thdn_with_intended_pct: float | None
    frequencies_hz: tuple[float, ...]
    levels_dbfs: tuple[float, ...]
    thdn_pct: tuple[tuple[float | None, ...], ...]
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class ProgrammeMeasures:
    """Distortion on the programme itself: candidate against its fitted reference, by itself.

    `tone_gain_lu` is the PLR a static EQ of the same tone would change; it ranks nothing.
    `gain_low_s` is where the gain that moves most is low, `punch_worst_s` and `punch_low_worst_s`
    the onsets that lose most; all unknown in older records.
    """

    sdr_db: float | None
    residual_pct: float | None
    gain_movement_db: float | None
    low_band_residual_db: float | None
    tone_gain_lu: float | None
    punch_change_db: float | None
    punch_low_change_db: float | None
    punch_loss_db: float | None
    gain_low_s: float | None = None
    punch_worst_s: float | None = None
    punch_low_worst_s: float | None = None
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class HeardMeasures:
    """Audibility: noise-to-mask ratio of what was added, soloed or beside the other groups."""

    nmr_mean_db: float | None
    nmr_worst_db: float | None
    disturbed_pct: float | None
    disturbed_onsets_pct: float | None
    worst_moments_s: tuple[float, ...]
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class Standing:
    """Where a candidate stands in its comparison, and why.

    `loudness_gain_lu` is measured in the mix with the other groups as the chosen set leaves them
    (for a master: on the mix entering the master chain); `loudness_gain_dry_lu` with the others
    dry; `loudness_gain_soloed_lu` on the group by itself. The last two rank nothing. All leave out
    what a static EQ of the same tone gives: in the mix that is `tone_gain_lu`, and with it they
    add up to the fall of the mix's PLR. `ranked_distortion_pct` is the
    distortion that ranks: that of the test tones, or the programme's residual where it is over
    twice that (`ranked_by` says which).
    """

    rank: int
    loudness_gain_lu: float | None
    loudness_gain_dry_lu: float | None
    loudness_gain_soloed_lu: float | None
    tone_gain_lu: float | None
    ranked_by: str
    ranked_distortion_pct: float | None
    added_thdn_pct: float | None
    score_lu: float | None
    within_budget: bool
    breaches: tuple[str, ...]
    on_pareto_front: bool
    tied_with_winner: bool
    why: str
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class SearchPoint:
    """What one setting of a search gave; what no number is known of was not needed to judge it.

    `whole_song` says whether audibility is that of the whole song or of the loudest windows.
    """

    setting_db: float
    loudness_gain_lu: float | None
    added_thdn_pct: float | None
    thdn_programme_pct: float | None
    disturbed_pct: float | None
    disturbed_onsets_pct: float | None
    punch_loss_db: float | None
    gain_movement_db: float | None
    within_budget: bool | None
    whole_song: bool
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class Search:
    """How a searched setting was found, in the mix as it stood.

    Settings are in `unit`; where `level` names one they are offsets to it ("hits - 3.2 dB" is
    -3.2). `ended` is one of "budget", "no help", "range", "never within budget" and "trials", and
    "target" where a master reached its target, "front" where the Pareto front held more;
    `stopped_by` the limit crossed first, `crossed_at_db` the first setting known to cross it and
    `crossed_at_s` the seconds where that is worst. `curve` runs from the gentle end to the
    deep end, with the other searched settings of the chain as they were found.
    """

    stage: int
    effect: str
    parameter: str
    unit: str
    level: str | None
    from_db: float
    to_db: float
    found_db: float | None
    found: str
    ended: str
    stopped_by: str | None
    crossed_at_db: float | None
    crossed_at_s: tuple[float, ...]
    n_evaluated: int
    said: str
    curve: tuple[SearchPoint, ...]


@dataclass(frozen=True)
class Candidate:
    """One chain in one comparison. A failed one has `failure` and no measures.

    Audibility is that of the loudest windows `soloed` and `in_mix`; `in_mix_whole_song` is there
    for the winner and the runner-up. `spectrum`, `image` and `contrast` hold the matched candidate
    against the dry reference, by themselves. `searches` tell how searched settings were found.
    `front` is the Pareto front of several searched settings, where one was asked for.
    `final_limiter_work_db_s` is how long, and by how many decibels, a master's last stage is fed
    above its ceiling; groups have none.
    """

    name: str
    about: str
    audio: str | None
    failure: str | None
    stages: tuple[ResolvedStage, ...]
    shift_frames: int | None
    match_gain_db: float | None
    loudness_difference_lu: float | None
    file: FileMeasures | None
    tones: ToneMeasures | None
    programme: ProgrammeMeasures | None
    spectrum: SpectrumChange | None
    image: ImageChange | None
    contrast: Contrast | None
    soloed: HeardMeasures | None
    in_mix: HeardMeasures | None
    in_mix_whole_song: HeardMeasures | None
    standing: Standing
    searches: tuple[Search, ...] = ()
    front: Front | None = None
    final_limiter_work_db_s: float | None = None
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class PriceRange:
    """Prices (LU per percent of added distortion) between which the winner stays the winner.

    `winner_below` and `winner_above` name who wins outside; None where nobody does.
    """

    from_lu_per_pct: float
    to_lu_per_pct: float | None
    winner_below: str | None
    winner_above: str | None


@dataclass(frozen=True)
class Comparison:
    """All candidates of one group, or of the master, in order of rank."""

    name: str
    folder: str
    scope: str
    reference_audio: str
    reference: FileMeasures
    candidates: tuple[Candidate, ...]
    winner: str
    price_range: PriceRange | None


@dataclass(frozen=True)
class Choice:
    """The chain chosen for one group, with what it gives the mix in the set and by itself."""

    group: str
    candidate: str
    loudness_gain_lu: float | None
    loudness_gain_dry_lu: float | None
    thdn_programme_pct: float | None
    settings: tuple[str, ...]
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class ChosenSet:
    """One chain a group and a master chain, judged on the mix and on the master.

    `peaks_before` are those of the dry mix, `peaks_after` of the mix the set makes; `steps` are the
    changes in between. `target_said` tells how far the master got where it had a target;
    `delivery_gain_db` is what was added to the matched master.
    """

    choices: tuple[Choice, ...]
    mix_headroom_db: float | None
    sum_of_gains_dry_lu: float | None
    thdn_groups_pct: float | None
    thdn_with_master_pct: float | None
    rounds: int
    within_budget: bool
    verdict: str
    mix: FileMeasures
    master: str
    master_settings: tuple[str, ...]
    master_gain_lu: float | None
    master_file: FileMeasures | None
    master_audio: str | None
    ceiling_dbtp: float
    undefined: Reasons = field(default_factory=dict)
    target_said: str = ""
    delivery_gain_db: float | None = None
    peaks_before: Peaks | None = None
    peaks_after: Peaks | None = None
    steps: tuple[SetStep, ...] = ()
    sets: SetsConsidered | None = None


@dataclass(frozen=True)
class SourceFile:
    """One stem as it was read."""

    name: str
    digest: str


@dataclass(frozen=True)
class SourceGroup:
    """One stem group: its files, its own measures, its share of the mix's energy."""

    name: str
    files: tuple[SourceFile, ...]
    energy_share_pct: float | None


@dataclass(frozen=True)
class Source:
    """The song as it was read."""

    title: str
    folder: str
    sample_rate_hz: int
    duration_s: float
    tempo_bpm: float | None
    beats_per_bar: int | None
    groups: tuple[SourceGroup, ...]
    notes: tuple[str, ...]
    mix: FileMeasures


@dataclass(frozen=True)
class Expectation:
    """A number the recipe won with beside the same number on this song."""

    where: str
    measure: str
    won_with: float | None
    here: float | None
    remark: str


@dataclass(frozen=True)
class Results:
    """One run. `kind` is "rank" or "apply"; `expectations` and `warnings` belong to apply.

    `revision` is there where the run was held against an earlier one.
    `ladder` is that of the chain that gives the mix most; None where every group stays dry.
    """

    schema: str
    program: str
    version: str
    kind: str
    engine: dict[str, str]
    settings: RankSettings
    source: Source
    comparisons: tuple[Comparison, ...]
    chosen: ChosenSet
    notes: tuple[str, ...]
    expectations: tuple[Expectation, ...] = ()
    warnings: tuple[str, ...] = ()
    revision: Revision | None = None
    ladder: Ladder | None = None
