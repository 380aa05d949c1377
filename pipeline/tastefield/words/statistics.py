"""The glossary of statistics columns: what every surface, lattice and taster table answers with, unit and meaning.

Every model answers with the same three tables: one row a term, exactly one row a fit, one row an observation. A column
that stands in none of these lists is not written. Scores carry no unit: they are points on the configured scale.
"""

from __future__ import annotations

from tastefield.words.columns import Column

TERMS: tuple[Column, ...] = (
    Column("term", "Name of the term of the surface", required=True),
    Column(
        "estimate", "Estimated coefficient, in points of score per coded unit of its factors", "number", required=True
    ),
    Column("std_error", "Standard error of the estimate", "number"),
    Column("df", "Degrees of freedom of the standard error", "number", low=0),
    Column("lower", "Lower end of the 90 % interval of the estimate", "number"),
    Column("upper", "Upper end of the 90 % interval of the estimate", "number"),
)

FIT: tuple[Column, ...] = (
    Column("model", "Name of the surface model", required=True),
    Column("shots", "Shots whose scores were used", "integer", low=0),
    Column("scores", "Scores used", "integer", low=0),
    Column("tasters", "Tasters who gave them", "integer", low=0),
    Column("sessions", "Sittings in which they were given", "integer", low=0),
    Column("terms", "Terms of the surface, the constant included", "integer", low=0),
    Column("form", "Which second-order terms were kept: full, fewer, plane or constant"),
    Column("df", "Degrees of freedom left for the noise", "number", low=0),
    Column("loglik", "Restricted log-likelihood, constants kept", "number"),
    Column("shot_var", "Variance of deserved score between shots at one ratio and time", "number", "points^2", low=0),
    Column("noise_var", "Variance of a score about what shot and taster explain", "number", "points^2", low=0),
    Column("taster_var", "Variance of the tasters' levels", "number", "points^2", low=0),
    Column("taster_coffee_var", "Variance of a taster's level between coffees", "number", "points^2", low=0),
    Column("session_var", "Variance of the sittings' levels", "number", "points^2", low=0),
    Column("variances", "How the doubt about the variances is carried: widened (by its df), fixed or refitted"),
    Column("residual_var", "Variance of what the surface leaves, where it is not split into shot and noise", "number",
           "points^2", low=0),
    Column("r2", "Share of the variance of the scores that the surface explains", "number", low=0, high=1),
    Column("lack_of_fit_p", "Chance of a misfit this large if the surface were right, from repeated shots", "number",
           low=0, high=1),
    Column("skill", "1 less the squared error of each shot foretold by the others, over that of their mean", "number",
           high=1),
    Column("converged", "Whether the fit reached a certain optimum", "boolean"),
)  # fmt: skip

OBSERVATIONS: tuple[Column, ...] = (
    Column("shot_id", "Shot that was scored", required=True),
    Column("taster", "Who scored it"),
    Column("ratio", "Weight out over dose", "number", "g/g", low=0, low_open=True),
    Column("shot_time_s", "Shot time from pump-on", "number", "s", low=0, low_open=True),
    Column("score", "Score as given", "number", required=True),
    Column("fitted", "Score the model expects of this taster for this shot", "number", required=True),
    Column("residual", "Score as given less the fitted one", "number", required=True),
)

LATTICE: tuple[Column, ...] = (
    Column("setup", "File-safe name of the setup, as in the results file", required=True),
    Column("ratio", "Weight out over dose", "number", "g/g", low=0, low_open=True, required=True),
    Column("shot_time_s", "Shot time", "number", "s", low=0, low_open=True, required=True),
    Column("mean", "Expected score of a typical taster", "number", required=True),
    Column("sd", "Standard deviation of what is unknown of that expected score", "number", low=0),
    Column("chance", "Chance that a shot aimed there deserves good", "number", low=0, high=1),
    Column("extraction_pct", "Expected extraction; empty where nothing was read", "number", "%", low=0, high=100),
    Column("supported", "Whether the data speak there", "boolean"),
    Column("own", "Whether tasted shots of the setup itself lie about it", "boolean"),
    Column("expected", "Expected score of a shot aimed there, averaged over how far shots land from it",
           "number"),
    Column("lower", "Lower end of the 90 % interval of the expected score", "number"),
    Column("upper", "Upper end of the 90 % interval of the expected score", "number"),
)  # fmt: skip

DIAL: tuple[Column, ...] = (
    Column("setup", "File-safe name of the setup, as in the results file", required=True),
    Column("position", "Position on the dial that may be set", "number", required=True),
    Column("grind_setting", "The same as its owner writes it", required=True),
    Column("shot_time_s", "Shot time it gives at the ratio of the recipe", "number", "s", low=0, low_open=True),
)

TASTERS: tuple[Column, ...] = (
    Column("taster", "Who tasted", required=True),
    Column("shots", "Shots tasted", "integer", low=0),
    Column("level", "How much higher (+) or lower (-) this taster scores than the others, in points", "number"),
    Column("spread", "Standard deviation of this taster's scores over shots", "number", low=0),
    Column("repeatability", "Standard deviation of this taster's scores of one shot", "number", low=0),
    Column("agreement", "Correlation with the mean of the other tasters over shared shots", "number", low=-1, high=1),
)

FINDINGS: tuple[Column, ...] = (
    Column("setup", "File-safe name of the setup it is about; empty where it is about the run"),
    Column("code", "Name of the kind of finding", required=True),
    Column("severity", "note, warn or stop", required=True),
    Column("where", "Place, table and column it is about, or names"),
    Column("message", "What was found", required=True),
    Column("do", "What to do about it"),
)

SURFACE_TABLES: dict[str, tuple[Column, ...]] = {"terms": TERMS, "fit": FIT, "observations": OBSERVATIONS}
"""The tables of :class:`tastefield.records.SurfaceTables`."""

STATISTICS: dict[str, tuple[Column, ...]] = {
    **SURFACE_TABLES,
    "lattice": LATTICE,
    "dial": DIAL,
    "findings": FINDINGS,
    "tasters": TASTERS,
}
"""Every table that a run writes beside what was read."""


def names(table: str) -> tuple[str, ...]:
    """Column names of a table of statistics, in order; ``KeyError`` where there is no such table."""
    return tuple(entry.name for entry in STATISTICS[table])
