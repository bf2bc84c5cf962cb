"""The report's figures (Bokeh): shaded maps with values on hover, traces, residuals, refusals.

Colours: cividis (Nuñez, Anderton & Renslow, PLoS ONE 13(7), 2018) for amounts, and PuOr of
ColorBrewer (C. Brewer) for signed values; both are made for colour-blind readers.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from bokeh.models import (
    BasicTicker,
    ColumnDataSource,
    FixedTicker,
    HoverTool,
    LinearColorMapper,
    LogColorMapper,
    NumeralTickFormatter,
    Range1d,
)
from bokeh.models.annotations.labels import Label
from bokeh.models.annotations.legends import Legend, LegendItem
from bokeh.palettes import Cividis256, PuOr11
from bokeh.plotting import figure
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import DECISIONS
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.uncertain import error_text
from breathmap.tools.report.data import NOT_PROPOSED, BankReport, PassRow, ReportData

WIDTH = 700
HALF = 345
BLUE, ORANGE, GREY = "#00204d", "#b35806", "#7c7b78"
Array = NDArray[np.float64]


def _plain(width: int, height: int, x: str, y: str, label: str, **more: Any) -> Any:
    plot = figure(
        width=width,
        height=height,
        x_axis_label=x,
        y_axis_label=y,
        tools="",
        toolbar_location=None,
        output_backend="svg",
        **more,
    )
    plot.name = label
    plot.outline_line_color = "#cccccc"
    plot.grid.grid_line_color = "#e8e8e8"
    for axis in plot.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = axis.major_label_text_font_size = "9pt"
        axis.axis_label_text_color = axis.major_label_text_color = "#333333"
        axis.axis_line_color = axis.major_tick_line_color = "#999999"
        axis.minor_tick_line_color = None
    return plot


@dataclass(frozen=True)
class _Shading:
    """How a map's values become shades. signed: about zero; logarithmic: for what spans decades."""

    low: float
    high: float
    signed: bool
    logarithmic: bool

    @classmethod
    def of(cls, values: Array, signed: bool, logarithmic: bool) -> "_Shading":
        """Return the shading that spans the values."""
        finite = values[np.isfinite(values)]
        most = float(np.abs(finite).max()) if finite.size else 1.0
        low = -most if signed else float(finite.min()) if finite.size else 0.0
        high = most
        if logarithmic:
            low, high = max(high, 1e-9) / 100.0, max(high, 1e-9)
        if low == high:
            high = low + 1.0
        return cls(low, high, signed, logarithmic)

    def is_dark(self, flat: Array) -> NDArray[np.bool_]:
        """Return where the ground is so dark that figures on it are white."""
        place = (flat - self.low) / (self.high - self.low)
        if self.logarithmic:
            place = np.log(np.maximum(flat, self.low) / self.low) / np.log(self.high / self.low)
        # The middle of PuOr is white, the low end of cividis dark.
        return np.asarray(np.abs(place - 0.5) > 0.27 if self.signed else place < 0.5)

    def mapper(self) -> LogColorMapper | LinearColorMapper:
        """Return the same for the drawing."""
        kind = LogColorMapper if self.logarithmic else LinearColorMapper
        palette = list(PuOr11) if self.signed else list(Cividis256)
        return kind(palette=palette, low=self.low, high=self.high)


def table_map(
    data: ReportData,
    bank: BankReport,
    values: Array,
    what: str,
    unit: str,
    signed: bool = False,
    logarithmic: bool = False,
) -> Any:
    """Return a shaded map of a table with the number in each cell and everything on hover.

    signed: shade about zero. logarithmic: for what spans decades; below 1 % of the maximum is
    darkest.
    """
    plot = _table_axes(data, what)
    shading = _Shading.of(values, signed, logarithmic)
    source = _squares(data, bank, values, unit, shading)
    squares = plot.rect(
        "x",
        "y",
        1,
        1,
        source=source,
        fill_color={"field": "value", "transform": shading.mapper()},
        line_color="#ffffff",
        hatch_pattern="hatch",
        hatch_color="#777777",
        hatch_alpha=0.6,
        hatch_scale=7,
    )
    plot.text(
        "x",
        "y",
        text="text",
        source=source,
        text_color="ink",
        text_align="center",
        text_baseline="middle",
        text_font_size="8pt" if len(data.speed_rpm) <= 18 else "6pt",
    )
    tips = [
        (what, "@shown"),
        ("at", "@speed, @load"),
        ("found", "@found"),
        ("VE", "@moved"),
        ("coverage", "@coverage"),
        ("decision", "@decision"),
    ]
    plot.add_tools(HoverTool(renderers=[squares], tooltips=tips))
    return plot


def _table_axes(data: ReportData, label: str) -> Any:
    """Return an empty plot with a square of room for each cell."""
    speeds, loads = data.speed_rpm, data.load
    plot = _plain(
        WIDTH,
        84 + 17 * len(loads),  # three maps to an A4 page
        "speed, rpm",
        data.load_label,
        label,
        x_range=Range1d(start=-0.5, end=len(speeds) - 0.5),
        y_range=Range1d(start=-0.5, end=len(loads) - 0.5),
    )
    plot.grid.grid_line_color = None
    for axis, points in ((plot.xaxis[0], speeds), (plot.yaxis[0], loads)):
        axis.ticker = FixedTicker(ticks=list(range(len(points))))
        axis.major_label_overrides = {k: f"{v:g}" for k, v in enumerate(points)}
        axis.major_tick_line_color = None
    if len(speeds) > 18:
        plot.xaxis[0].major_label_orientation = 0.9
    return plot


def _squares(
    data: ReportData, bank: BankReport, values: Array, unit: str, shading: _Shading
) -> ColumnDataSource:
    """Return what is drawn of each cell and what is shown on hover."""
    speeds, loads, signed = data.speed_rpm, data.load, shading.signed
    rows, columns = np.indices(values.shape)
    flat = values.ravel()
    decisions = bank.decisions or [[NOT_PROPOSED] * len(speeds)] * len(loads)
    seen = bank.visited.ravel()
    return ColumnDataSource(
        {
            "x": columns.ravel(),
            "y": rows.ravel(),
            "value": flat,
            "text": [_short(v, signed) for v in flat],
            "ink": np.where(shading.is_dark(flat), "#ffffff", "#111111"),
            "speed": [f"{speeds[c]:g} rpm" for c in columns.ravel()],
            "load": [f"{loads[r]:g} {data.load_unit}" for r in rows.ravel()],
            "shown": [f"{v:+.2f} {unit}" if signed else f"{v:.2f} {unit}" for v in flat],
            "found": [
                f"{v:+.2f} {error_text(e, '%', 2)}"
                for v, e in zip(bank.correction.ravel(), bank.standard_error.ravel(), strict=True)
            ],
            "moved": _moved(bank),
            "coverage": [
                f"{c:.1f} independent samples" if s else "never visited"
                for c, s in zip(bank.coverage.ravel(), seen, strict=True)
            ],
            "decision": [
                f"{word}: {DECISIONS[word]}" if word in DECISIONS else word
                for word in (decisions[r][c] for r, c in np.ndindex(values.shape))
            ],
            "edge": np.where(seen, "#ffffff", "#999999"),
            "hatch": np.where(seen, " ", "/"),
        }
    )


def _moved(bank: BankReport) -> list[str]:
    """Return each cell's VE before and as proposed, a text a cell."""
    if bank.before is None or bank.after is None:
        return [NOT_PROPOSED] * bank.correction.size
    pairs = zip(bank.before.ravel(), bank.after.ravel(), strict=True)
    return [f"{before:.4g} to {after:.4g} %" for before, after in pairs]


def _short(value: float, signed: bool) -> str:
    """Return a number in at most five characters; nothing is 0, without a sign or digits."""
    if abs(value) < (0.05 if signed else 0.005):
        return "0"
    if signed:
        return f"{value:+.1f}"
    for above, digits in ((9999.5, None), (99.95, 0), (9.995, 1)):
        if abs(value) >= above:
            return f"{value / 1000.0:.0f}k" if digits is None else f"{value:.{digits}f}"
    return f"{value:.2f}"


def _legend(lines: dict[str, Any]) -> Any:
    """Return a legend in one line: name -> what is drawn."""
    legend: Any = Legend(
        items=[LegendItem(label=name, renderers=[line]) for name, line in lines.items()],
        orientation="horizontal",
        label_text_font_size="9pt",
        border_line_color=None,
        background_fill_alpha=0.0,
        location="top_left",
    )
    legend.padding = 2
    return legend


def error_trace(bank: BankReport) -> Any | None:
    """Return the fuelling error over time, as the readings show it."""
    if bank.trace is None:
        return None
    over = bank.trace["over_time"]
    plot = _plain(WIDTH, 260, "minutes learned", "rms of readings, %", "error over time")
    source = ColumnDataSource({k: _numbers(v) for k, v in over.items() if k != "bin_s"})
    lines = [
        plot.line("minutes", "before_rms_pct", source=source, color=ORANGE, width=2),
        plot.line("minutes", "after_rms_pct", source=source, color=BLUE, width=2, dash="solid"),
    ]
    noise = bank.summary.noise_pct
    scatter = plot.line(
        [min(over["minutes"], default=0.0), max(over["minutes"], default=1.0)],
        [noise, noise],
        color=GREY,
        dash="dashed",
    )
    # Room for the legend above the curves.
    most = max([noise, *(v for v in source.data["before_rms_pct"] if v == v)])
    plot.y_range = Range1d(start=0.0, end=1.3 * most)
    names = ("table as it was", "as learned until then", "scatter of one reading")
    plot.add_layout(_legend(dict(zip(names, [*lines, scatter], strict=True))))
    plot.add_tools(
        HoverTool(
            renderers=lines[1:],
            mode="vline",
            tooltips=[
                ("minute", "@minutes{0.0}"),
                ("table as it was", "@before_rms_pct{0.00} %"),
                ("as learned", "@after_rms_pct{0.00} %"),
                ("samples used", "@used_pct{0} %"),
            ],
        )
    )
    return plot


def _numbers(values: Sequence[float | None]) -> list[float]:
    return [float("nan") if v is None else float(v) for v in values]


def residual_plot(bank: BankReport, name: str, label: str) -> Any | None:
    """Return mean residuals against one condition, with the band that chance would give."""
    if bank.trace is None:
        return None
    bins = bank.trace["against"][name]
    if not bins["count"]:
        return None
    middle = [(a + b) / 2.0 for a, b in zip(bins["from"], bins["to"], strict=True)]
    widen = bank.summary.autocorrelation_widening or 1.0
    spread = [
        2.0 * rms * (widen / n) ** 0.5
        for rms, n in zip(bins["rms_pct"], bins["count"], strict=True)
    ]
    return _residuals(middle, bins["mean_pct"], spread, bins["count"], label)


def residual_over_time(bank: BankReport) -> Any | None:
    """Return mean residuals over time, the first minute left out."""
    if bank.trace is None:
        return None
    over = bank.trace["over_time"]
    kept = [
        k
        for k, minute in enumerate(over["minutes"])
        if minute > 1.0 and over["after_mean_pct"][k] is not None
    ]
    if not kept:
        return None
    minutes = [over["minutes"][k] for k in kept]
    return _residuals(
        minutes, [over["after_mean_pct"][k] for k in kept], None, None, "minutes learned"
    )


def _residuals(
    x: Sequence[float],
    mean: Sequence[float],
    spread: Sequence[float] | None,
    count: Sequence[int] | None,
    label: str,
) -> Any:
    plot = _plain(HALF, 220, label, "mean residual, %", label)
    columns: dict[str, Any] = {"x": list(x), "mean": list(mean)}
    tips = [(label, "@x{0.[0]}"), ("mean residual", "@mean{+0.000} %")]
    if spread is not None and count is not None:
        columns |= {
            "low": [m - s for m, s in zip(mean, spread, strict=True)],
            "high": [m + s for m, s in zip(mean, spread, strict=True)],
            "count": list(count),
        }
        tips.append(("samples", "@count"))
    source = ColumnDataSource(columns)
    if spread is not None:
        plot.segment("x", "low", "x", "high", source=source, color=GREY)
    dots = plot.scatter("x", "mean", source=source, size=5, color=BLUE)
    plot.line("x", "mean", source=source, color=BLUE, alpha=0.4)
    plot.line([min(x), max(x)], [0.0, 0.0], color="#999999", dash="dotted")
    most = max([1.0, *(abs(m) * 1.2 for m in mean)])
    plot.y_range = Range1d(start=-most, end=most)
    # No two ticks that read the same.
    plot.xaxis[0].ticker = BasicTicker(min_interval=1)
    plot.xaxis[0].formatter = NumeralTickFormatter(format="0")
    plot.add_tools(HoverTool(renderers=[dots], tooltips=tips))
    return plot


def refusals(bank: BankReport) -> Any | None:
    """Return a bar per reason, longest on top."""
    refused = sorted(bank.summary.refused.items(), key=lambda item: item[1])
    if not refused:
        return None
    total = max(bank.summary.samples, 1)
    names = [name.replace("_", " ") for name, _ in refused]
    plot = _plain(
        WIDTH, 70 + 22 * len(names), "samples refused, % of all", "", "refusals", y_range=names
    )
    source = ColumnDataSource(
        {
            "name": names,
            "share": [100.0 * count / total for _, count in refused],
            "count": [count for _, count in refused],
            "remedy": [EXPLANATIONS.get(name, ("", ""))[1] for name, _ in refused],
        }
    )
    bars = plot.hbar(y="name", right="share", left=0, height=0.7, source=source, color="#5a6b8c")
    plot.x_range.start = 0
    plot.ygrid.grid_line_color = None
    plot.add_tools(
        HoverTool(
            renderers=[bars],
            tooltips=[
                ("reason", "@name"),
                ("samples", "@count (@share{0.0} %)"),
                ("what to do", "@remedy"),
            ],
        )
    )
    return plot


def over_passes(rows: Sequence[PassRow]) -> Any | None:
    """Return how correction and standard error shrink from pass to pass; None for one pass."""
    numbers = sorted({row.number for row in rows})
    if len(numbers) < 2:
        return None
    plot = _plain(WIDTH, 260, "pass", "rms over visited cells, %", "convergence")
    plot.xaxis[0].ticker = FixedTicker(ticks=numbers)
    plot.y_range.start = 0
    names = list(dict.fromkeys(row.bank for row in rows))
    for name, colour in zip(names, (BLUE, ORANGE, GREY, "#542788", "#8c8878") * 2, strict=False):
        own = [row for row in rows if row.bank == name]
        source = ColumnDataSource(
            {
                "pass": [row.number for row in own],
                "correction": [row.correction_rms_pct for row in own],
                "error": [row.standard_error_pct for row in own],
            }
        )
        # As values, not as a field's name: a bank may be called anything.
        line = plot.line("pass", "correction", source=source, color=colour, width=2)
        plot.scatter("pass", "correction", source=source, color=colour, size=6)
        plot.line("pass", "error", source=source, color=colour, dash="dashed")
        last = own[-1]
        plot.add_layout(
            Label(
                x=last.number,
                y=last.correction_rms_pct,
                text=name,
                x_offset=-40,
                y_offset=5,
                text_font_size="9pt",
                text_color=colour,
            )
        )
        plot.add_tools(
            HoverTool(
                renderers=[line],
                tooltips=[
                    ("pass", "@pass"),
                    ("correction still needed", "@correction{0.00} %"),
                    ("standard error", "@error{0.00} %"),
                ],
            )
        )
    return plot
