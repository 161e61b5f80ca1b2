"""What a reader of any run should know, and what this run's figures call for."""

from chainweigh.measure.summary import FileMeasures

ALWAYS = (
    "Distortion on the programme is judged in the dry mix's three loudest 10 s windows, that of "
    "each winner and runner-up over the whole song too.",
    "Audibility is judged in the mix that the other groups' winners make; punch and gain movement "
    "are judged on the group by itself.",
)
ROUNDING_DB = 0.005


def notes_on(master: FileMeasures | None, ceiling_dbtp: float) -> tuple[str, ...]:
    """Notes of a run; one more where another true-peak meter reads its master above the ceiling.

    Notes
    -----
    The interpolation filter of BS.1770-5 Annex 2 is short: its reading lies up to some tenths of a
    decibel beside the true one, and a master rich in highs may read higher there.
    """
    read_dbtp = master.true_peak_annex2_dbtp if master else None
    if read_dbtp is None or read_dbtp <= ceiling_dbtp + ROUNDING_DB:
        return ALWAYS
    above_db = read_dbtp - ceiling_dbtp
    return (
        *ALWAYS,
        f"A meter with the filter of BS.1770 Annex 2 reads the master's true peak as "
        f"{read_dbtp:.2f} dBTP, {above_db:.2f} dB above the ceiling. Where such a meter checks the "
        "delivery, set --ceiling that much below the limit it checks.",
    )
