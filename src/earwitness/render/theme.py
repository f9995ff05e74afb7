"""The colors of both themes as CSS custom properties, and the classes of charts that use them."""

from dataclasses import fields
from importlib.resources import files
from typing import Final

from earwitness.exhibits.chart import Role
from earwitness.render.palette import GROUNDS, INKS, MAP_BANDS, Ground, Theme
from earwitness.render.traces import role_class

# Least widths of the page's column at which a wide drawing is shown.
WIDE_FROM_PX: Final = tuple(range(440, 1241, 40))


def theme_css() -> str:
    """The style sheet that lets one SVG text serve light, dark and print.

    Its tokens: --paper, --ink, --muted, --grid, --minor, --band, --heard, one --role-... for each role of curves,
    and --map-0 on. Light is the default; dark follows the reader's system unless the root element says
    data-theme="light", and holds wherever it says data-theme="dark"; print is always light.
    """
    light, dark = _tokens("light"), _tokens("dark")
    themes = (
        f":root{{color-scheme:light;{light}}}",
        f"@media (prefers-color-scheme:dark){{:root:not([data-theme=light]){{color-scheme:dark;{dark}}}}}",
        f":root[data-theme=dark]{{color-scheme:dark;{dark}}}",
        f"@media print{{:root,:root[data-theme],:root:not([data-theme]){{color-scheme:light;{light}}}}}",
    )
    swaps = "\n".join(
        f"@container (max-width:{from_px - 0.02:g}px){{figure.wide-from-{from_px} .drawing.wide{{display:none}}"
        f"figure.wide-from-{from_px} .drawing.narrow{{display:block}}}}"
        for from_px in WIDE_FROM_PX
    )
    charts = files("earwitness.render").joinpath("static/chart.css").read_text(encoding="utf-8")
    roles = "\n".join(_role_rules(role) for role in INKS)
    bands = "\n".join(f".chart .band-{k}{{fill:var(--map-{k})}}" for k in range(len(MAP_BANDS["light"])))
    return "\n".join((*themes, charts.strip(), swaps, roles, bands)) + "\n"


def base_css() -> str:
    """What page, site and bench share behind `theme_css`: type, spacing, buttons and fields."""
    return files("earwitness.render").joinpath("static/base.css").read_text(encoding="utf-8")


def _tokens(theme: Theme) -> str:
    ground = GROUNDS[theme]
    named = [(field.name, getattr(ground, field.name)) for field in fields(Ground)]
    named += [(role_class(role), ink.color(theme)) for role, ink in INKS.items()]
    named += [(f"map-{k}", color) for k, color in enumerate(MAP_BANDS[theme])]
    return ";".join(f"--{name}:{color}" for name, color in named)


def _role_rules(role: Role) -> str:
    name = role_class(role)
    color = f"var(--{name})"
    return (
        f".chart :is(.trace,.leader,.sample).{name}{{stroke:{color}}}"
        f".chart :is(.label,.tag,.ribbon).{name}{{fill:{color}}}.readout .{name}{{color:{color}}}"
    )
