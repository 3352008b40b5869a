"""Reader of the published 2022 season, for tests and benchmarks only.

The files are the USDA's (public domain) and are not part of the project; they are looked for in
../shared/data next to the project's root.
"""

from pathlib import Path

from wakewell.rig.fao56 import CropCourse, DayIn, Ground, Layer

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "data" / "usda-cotton-2022"
MISSING = f"{FOLDER.name}: published season not found beside the project (../shared/data)"


def rows(suffix: str) -> list[list[str]]:
    """The table rows of the one file that ends so: those that begin with a year and day."""
    (path,) = FOLDER.glob("*" + suffix)
    return [line.split() for line in path.read_text().splitlines() if line.startswith("2022-")]


def parameters() -> dict[str, float]:
    """The crop's and soil's numbers by the name the file gives them."""
    (path,) = FOLDER.glob("*.par")
    pairs = [line.split(None, 1) for line in path.read_text().splitlines()[6:] if "," in line]
    return {text.split(",")[0].strip(): float(number) for number, text in pairs}


def crop() -> CropCourse:
    par = parameters()
    return CropCourse(
        kcb_ini=par["Kcbini"],
        kcb_mid=par["Kcbmid"],
        kcb_end=par["Kcbend"],
        stages_d=(int(par["Lini"]), int(par["Ldev"]), int(par["Lmid"]), int(par["Lend"])),
        height_ini_m=par["hini"],
        height_max_m=par["hmax"],
        root_ini_m=par["Zrini"],
        root_max_m=par["Zrmax"],
        p_base=par["pbase"],
    )


def layered() -> Ground:
    par = parameters()
    (path,) = FOLDER.glob("*.sol")
    table = [line.split() for line in path.read_text().splitlines()[8:]]
    layers = tuple(
        Layer(float(row[0]) / 100, float(row[1]), float(row[2]), float(row[3]))
        for row in table
        if len(row) == 4 and row[0].isdigit()
    )
    return Ground(layers, par["Ze"], par["REW"])


def single() -> Ground:
    par = parameters()
    layer = Layer(par["Zrmax"], par["thetaFC"], par["thetaWP"], par["theta0"])
    return Ground((layer,), par["Ze"], par["REW"])


def days() -> list[DayIn]:
    water = {row[0]: (float(row[1]), float(row[2])) for row in rows(".irr")}
    return [
        DayIn(float(r[11]), float(r[9]), float(r[8]), float(r[10]), *water.get(r[0], ()))
        for r in (row[:1] + row for row in rows(".wth"))
    ]


WIND_HEIGHT_M = 3.0
