"""What the figures of a study mean, in words, each with where its threshold comes from.

Knows: the thresholds of common practice.  They are no law of nature: whoever uses the gauge may agree on others.
Must not know: how a figure was worked out.

Sources: percentages and categories after the AIAG manual Measurement Systems Analysis, 4th edition, chapter II
[memory]; a fifth of the tolerance and 1.33 for a gauge on one master after works' rules for gauge capability
[common practice].
"""

from msgspec import Struct

GOOD, LIMIT = 10.0, 30.0
CATEGORIES = 5
ONE_MASTER = 1.33

SOURCE = ("common practice: below 10 % good, 10 to 30 % conditional, above 30 % not fit, and at least 5 categories "
          "(after the AIAG manual Measurement Systems Analysis, 4th edition; cited from memory)")
SOURCE_ONE = ("common practice of works' rules for a gauge on one master: a fifth of the tolerance over 6 deviations, "
              "at least 1.33, with and without the bias; cited from memory")

FIT, CONDITIONAL, NOT_FIT, NONE = "good", "conditional", "not fit", "none"
_WORDS = {FIT: "The gauge is good", CONDITIONAL: "The gauge is fit on condition", NOT_FIT: "The gauge is not fit"}


class Verdict(Struct, frozen=True):
    """`word` is good, conditional, not fit or none; `words` are sentences, the first says it all."""

    word: str
    words: tuple[str, ...]
    source: str


def by_percent(percent: float) -> str:
    """good, conditional or not fit."""
    if percent < GOOD:
        return FIT
    return CONDITIONAL if percent <= LIMIT else NOT_FIT


def of_study(of_tolerance: float | None, of_total: float, categories: int) -> Verdict:
    """The verdict by the tolerance where there is one, since the gauge judges by it; else by the total spread."""
    leads = of_total if of_tolerance is None else of_tolerance
    word = by_percent(leads)
    what = "of the spread of these parts" if of_tolerance is None else "of the tolerance"
    said = [f"{_WORDS[word]}: its spread takes {leads:.1f} % {what}."]
    if word == CONDITIONAL:
        said.append("Whether that will do depends on what a wrong verdict costs, and what a better gauge.")
    if of_tolerance is None:
        said.append("There is no tolerance to compare with: a characteristic with two limits has one.")
    else:
        said.append(f"Of the whole spread of these parts it takes {of_total:.1f} % ({by_percent(of_total)}); that "
                    "counts where the process is watched with it, and only as far as these parts spread as the process "
                    "does.")
    if categories < CATEGORIES:
        said.append(f"It tells only {categories} {'class' if categories == 1 else 'classes'} of these parts apart, "
                    f"fewer than {CATEGORIES}: too coarse to follow the process, or the parts are too much alike.")
    else:
        said.append(f"It tells {categories} classes of these parts apart.")
    return Verdict(word, tuple(said), SOURCE)


def of_one_master(spread_index: float | None, place_index: float | None, is_biased: bool, confidence: float) -> Verdict:
    """The verdict on repeatability and bias; the indices are None where there is no tolerance or no spread."""
    bias = (f"The bias is more than chance (without one, less than {100 * (1 - confidence):.0f} % of such studies "
            "would show as much): set the column, or correct it."
            if is_biased else "No bias can be told from the spread of these readings.")
    if spread_index is None or place_index is None:
        return Verdict(NONE, ("There is no verdict: it needs a tolerance (two limits) and readings that differ.", bias),
                       SOURCE_ONE)
    if spread_index < ONE_MASTER:
        return Verdict(NOT_FIT, (f"The gauge is not fit: it repeats too badly for this tolerance ({spread_index:.2f}, "
                                 f"where {ONE_MASTER} is asked).", bias), SOURCE_ONE)
    if place_index < ONE_MASTER:
        return Verdict(CONDITIONAL, (f"The gauge repeats well enough ({spread_index:.2f}), but stands off the master "
                                     f"({place_index:.2f}, where {ONE_MASTER} is asked): set it, then study it again.",
                                     bias), SOURCE_ONE)
    return Verdict(FIT, (f"The gauge is good: it repeats ({spread_index:.2f}) and stands on the master "
                         f"({place_index:.2f}); {ONE_MASTER} is asked.", bias), SOURCE_ONE)
