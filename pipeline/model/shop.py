"""The shop: its panels, posts, sleeves, gates, setting-out, stock and limits, as its shop file gives them.

Field by field these are the keys of `shop.toml`; lengths and angles carry their unit there and are metres and radians
here.  Defaults live in one place, the default shop file that ships, so no field has one here.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.units import Angle, Length, ReportUnits, UnitName

CornerStyle = Literal["rounded", "chamfered", "mitred"]
Paper = Literal["letter", "a4"]
StockKind = Literal["stock-panel", "roll", "hardware", "consumable", "gate-set", "tool"]
Basis = Literal["panel", "fabric", "post", "loose-post", "screw", "hole", "joint", "gate", "end", "epoxy", "cartridge", "shim", "job", "bore"]


class PanelShop(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How this shop's panels are made ([panel])."""

    post_spacing: Length
    spacing_give: Length
    joint: Length
    end_clearance: Length
    stock_posts: tuple[int, ...]
    heights: tuple[Length, ...]
    custom_least: Length
    custom_extra: Length
    custom_work: float  # price of the work on one custom panel
    corner: CornerStyle
    hem_gap: Length
    fabric_beyond_end_post: Length
    screw_pitch: Length
    screw_pair: Length
    screw_edge: Length
    cut_step: Length
    offcut_value: float  # of a usable left-over, as a fraction of the cheapest new fabric's price per length [-]
    colour: str
    fabric_mass_per_area: float  # [kg/m²]
    height_from_deck: bool  # heights count from the deck, the hem's gap included; false: they are the fabric's own
    hang_sigma: Length  # standard error of the height at which fabric, latch and gate hang
    fabric_opening: Length  # largest round probe the fabric lets through, pushed against it; 0 when not known
    weave_sigma: Length  # standard error of one opening of the fabric
    pitch_sigma: Length  # standard error of the pitch of the strips' screws
    fabric_tensile: float  # grab test, ASTM D5034 [N]; 0 when not known
    fabric_ball_burst: float  # ball burst, ASTM D3787 [N]; 0 when not known
    fabric_weathering: float  # hours of the weathering test it stood [h]; 0 when not known


class PostShop(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The posts ([post])."""

    diameter: Length
    wall: Length
    modulus: float  # Young's modulus [Pa]
    tension: float  # pull of a hung panel's fabric, over its whole height [N]
    lean: tuple[Angle, Angle]
    above_fabric: Length
    mass_per_length: float  # [kg/m]
    conductive: bool
    strength_tested: float  # sideways force the maker tested at 36 in above grade [N]; 0 when not known


class SleeveShop(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The sleeves and their holes ([sleeve])."""

    bore: Length
    depth: Length
    outside: Length
    inside: Length
    cover: Length
    edge_distance: Length
    joint_distance: Length
    drain_distance: Length
    utility_distance: Length
    non_conductive: bool
    slab_thickness: Length
    setting_time: float  # to set one sleeve in mixed epoxy [min]


class GateShop(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The gates ([gate])."""

    leaf: tuple[Length, ...]
    pocket: Length
    release_height: Length
    release_side: Literal["pool", "outside", "both"]
    release_below_top: Length
    release_opening: Length
    release_opening_radius: Length
    hardware_sigma: Length  # standard error of what a gate set measures about its release
    self_closing: bool
    self_latching: bool
    lockable: bool
    swing: Angle
    clearance: Length
    bottom_gap: Length


class SettingOut(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Marking and drilling on the deck ([setting_out])."""

    tape_length: Length
    mark_sigma: Length
    drill_sigma: Length
    fit_tolerance: Length  # a stock panel or a gate still hangs when the distance of neighbouring holes is off the plan by this much
    reading_sigma: Length  # of a tape read from hole centre to hole centre, what it is read to apart
    redrill_price: float  # of filling a hole and drilling it again
    depth_sigma: Length


class LatchShop(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The latches at joints ([latch])."""

    height: Length
    hole_pitch: Length
    kind: str


class StockItem(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One thing the shop buys or keeps ([stock.<item>]).

    Parameters
    ----------
    kind : StockKind
    description, supplier, unit : str
    pack : float
        Units a pack holds.
    price : float
        Of one pack, in the shop's currency.
    basis : Basis
        What the need is counted by.
    per : float
        Units needed per one of the basis (for `epoxy`: 1, the need is the volume).
    per_reinforced : float or None
        The same where the slab is reinforced or unknown (a bit wears sooner); None: no difference.
    spare : float
        Added for waste and spares, as a fraction [-].
    posts : int or None
        Stock panels: number of posts.
    height, length, width, kerf, usable_offcut : Length or None
        Rolls and stock panels: what is on them, what a cut takes, the least left-over worth keeping.
    volume : float or None
        Epoxy: of one unit [ml].
    working_time : float or None
        Epoxy: [min].
    colour : str
    """

    kind: StockKind
    description: str
    supplier: str
    unit: str
    pack: float
    price: float
    basis: Basis
    per: float = 1.0
    per_reinforced: float | None = None
    spare: float = 0.0
    posts: int | None = None
    height: Length | None = None
    length: Length | None = None
    kerf: Length | None = None
    usable_offcut: Length | None = None
    volume: float | None = None
    working_time: float | None = None
    colour: str = ""


class Limits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Sizes, counts and times beyond which an input is refused ([limits])."""

    file_bytes: int
    points: int
    observations: int
    gates: int
    site_extent: Length
    pool_least: Length
    pool_most: Length
    pool_side_least: Length  # of a square as large as the pool: outside these two a wrong unit is likely
    pool_side_most: Length
    stage_seconds: float
    cutting_seconds: float
    offcuts: int
    job_files: int  # of one job that are read
    settings_bytes: int  # of a job.toml; the office's own files are held to the default
    settings_depth: int  # tables within tables
    setups: int  # of the instrument in one survey
    drawing_bytes: int
    drawing_entities: int
    drawing_pieces: int  # lines and arcs on one layer
    drilled_rows: int  # of as_drilled.csv and cut.csv


class SurveyOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the survey is to be read ([survey] of a job)."""

    files: tuple[str, ...] = ()
    form: Literal["auto", "points", "observations", "tape", "landxml", "dxf"] = "auto"
    columns: str = ""
    unit: UnitName
    crs: str = ""
    position_sigma: Length
    elevation_sigma: Length
    distance_sigma: Length
    tape_sigma: Length
    angle_sigma: Angle
    temperature: float | None = None  # [°C]
    pressure: float | None = None  # [hPa]


class FenceOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What fence is wanted ([fence] of a job)."""

    height: Length
    setback: Length
    best_setback: bool = False  # `setback = "best"`: the setback may be chosen, from the wanted default on
    ends: Literal["auto", "loop", "walls", "marks"] = "auto"


class GateOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One gate asked for ([[gate]] of a job)."""

    near: str
    leaf: Length | None = None


class SiteOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Facts of the site the survey cannot show ([site] of a job)."""

    slab: Literal["plain", "reinforced", "post-tensioned", "pavers", "unknown"] = "unknown"


class JobOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Every key of `job.toml`, after the shop's defaults were laid under it."""

    title: str = ""
    due: str = ""
    rules: tuple[str, ...]
    report_units: ReportUnits
    paper: Paper
    survey: SurveyOptions
    fence: FenceOptions
    gate: tuple[GateOptions, ...] = ()
    site: SiteOptions = SiteOptions()


class Shop(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything the shop file gives, but the job defaults."""

    name: str
    currency: str
    hold_order_on_fail: bool
    codes: dict[str, str]
    panel: PanelShop
    post: PostShop
    sleeve: SleeveShop
    latch: LatchShop
    gate: GateShop
    setting_out: SettingOut
    stock: dict[str, StockItem]
    limits: Limits
