"""Write the samples from the truth: ``python -m tests.truth.write_samples``.  Never by hand: a test compares the bytes."""

from __future__ import annotations

from pathlib import Path

from tests.truth.sites import TrueSite, all_sites
from tests.truth.survey_files import GRID_CRS, sample_files

JOBS = {
    "01-rectangle": """\
title = "Back garden, 12 Heron Court"
due = 2026-12-04
rules = ["us-ispsc-2021"]
report_units = "inch"

[survey]
unit = "foot"

[site]
slab = "reinforced"
""",
    "02-long-round-ends": """\
title = "Lap pool, 3 Chandler's Yard"
due = 2026-12-07
rules = ["us-ispsc-2018"]
report_units = "mm"
paper = "a4"

[survey]
unit = "metre"

[[gate]]
near = "123"

[site]
slab = "plain"
""",
    "03-freeform": """\
title = "Garden pool, 41 Sallow Lane"
due = 2026-12-04
rules = ["us-ispsc-2021", "us-ca"]

[survey]
unit = "foot"
""",
    "04-l-shape-spa": """\
title = "Courtyard, 7 Orchard Steps"
due = 2026-12-09
rules = ["us-ispsc-2021", "fr-nf-p90-306"]
report_units = "mm"
paper = "a4"

[survey]
unit = "metre"

[fence]
height = "60 in"
setback = "1000 mm"

[site]
slab = "reinforced"
""",
    "05-house-wall": """\
title = "House side, 88 Tollgate Road"
due = 2026-12-08
rules = ["us-fl-residential", "us-fl-statute"]

[survey]
unit = "foot"

[site]
slab = "reinforced"
""",
    "06-three-risers": """\
title = "Terrace, 19 Cooper's Rise"
due = 2026-12-11
rules = ["us-ispsc-2015", "us-az"]

[survey]
unit = "foot"

[fence]
height = "60 in"

[site]
slab = "reinforced"
""",
    "07-tape-ties": """\
title = "Lap pool by tape, 3 Chandler's Yard"
due = 2026-12-07
rules = ["us-ispsc-2018"]

[survey]
form = "tape"
tape_sigma = "3 mm"

[site]
slab = "plain"
""",
    "08-two-setups": """\
title = "Rear terrace, 5 Linnet Close"
due = 2026-12-10
rules = ["us-ispsc-2021", "us-ny"]
report_units = "mm"
paper = "a4"

[survey]
form = "observations"
unit = "metre"

[site]
slab = "post-tensioned"
""",
    "09-state-plane": f"""\
title = "High meadow, 2 Aspen Gate"
due = 2026-12-14
rules = ["us-ispsc-2018", "us-nec-680"]

[survey]
unit = "us-survey-foot"
crs = "{GRID_CRS}"

[site]
slab = "reinforced"
""",
    "10-blunder": """\
title = "Side garden, 23 Weir Street"
due = 2026-12-08
rules = ["us-ispsc-2021", "us-tx-757"]

[survey]
unit = "foot"
columns = "PENZD"

[site]
slab = "pavers"
""",
    "11-no-water": """\
title = "Back garden, 60 Mill Race"
due = 2026-12-15
rules = ["us-irc-2012-g"]

[survey]
unit = "foot"
""",
}


def sample_texts(site: TrueSite) -> dict[str, str]:
    """Every file of a sample's folder, by name."""
    return {"job.toml": f"# Odd about this site: {site.odd}.\n\n{JOBS[site.name]}", **sample_files(site)}


def write(folder: Path) -> None:
    """Write every sample into `folder`, one folder each."""
    for site in all_sites():
        place = folder / site.name
        place.mkdir(parents=True, exist_ok=True)
        for name, text in sample_texts(site).items():
            (place / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write(Path(__file__).resolve().parents[2] / "sample_surveys")
