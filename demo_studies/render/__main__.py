"""Draw the demo studies again: ``python -m demo_studies.render``."""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from datetime import timedelta
from pathlib import Path

from . import shade
from .camera_files import Exposure, encode
from .looking import codes
from .picture import render
from .scenario import Photograph, Visit, sheet
from .scene import Scene
from .studies import visits
from .truth import INVERSE, truth_of, turn_pixels

HERE = Path(__file__).resolve().parent.parent


def _taken(visit: Visit, photo: Photograph) -> Exposure:
    when = visit.time + timedelta(minutes=photo.minute) + visit.clock_wrong_by
    return Exposure(when, photo.f_number, 200, photo.orientation, photo.place, photo.maker_note)


def draw_visit(number: int, detail: float, folder: str) -> list[dict[str, object]]:
    """Draw one visit's files below ``folder`` and return what is true of them."""
    visit = visits()[number]
    scene = Scene(visit.mouth, detail)
    place = Path(folder) / visit.folder
    place.mkdir(parents=True, exist_ok=True)
    facts: list[dict[str, object]] = []
    for photo in visit.photographs:
        shown = render(scene, photo.shot, *photo.size, finish=photo.finish)
        stored = turn_pixels(shown, INVERSE[photo.orientation])
        written = encode(stored, visit.camera, _taken(visit, photo), form=photo.form)
        (place / photo.file).write_bytes(written)
        facts.append(
            {
                "patient": visit.patient.number,
                "date": f"{visit.time:%Y-%m-%d}",
                "file": f"{visit.folder}/{photo.file}",
                "columns_stored": stored.shape[1],
                "rows_stored": stored.shape[0],
                **truth_of(scene, photo.shot, photo.size, photo.orientation),
            }
        )
        print(f"{visit.folder}/{photo.file}  {len(written) / 1000:.0f} kB", flush=True)
    write_sheet(visit, place)
    return facts


def draw_shade_case(detail: float, folder: Path) -> list[dict[str, object]]:
    """Draw the shade case below ``folder`` and return what is true of it."""
    visit = shade.visit()
    scene = Scene(visit.mouth, detail)
    place = folder / shade.FOLDER / visit.folder
    place.mkdir(parents=True, exist_ok=True)
    for photo in visit.photographs:
        written = encode(shade.pixels_of(scene, photo), visit.camera, _taken(visit, photo))
        (place / photo.file).write_bytes(written)
    write_sheet(visit, place)
    return shade.truth(scene, visit)


def write_sheet(visit: Visit, place: Path) -> None:
    """Write a visit's sheet beside its files; whoever confirmed a side has seen the picture."""
    path = place / "sheet.toml"
    path.write_text(sheet(visit, {}), encoding="utf-8")
    path.write_text(sheet(visit, codes(place)), encoding="utf-8")


def main() -> None:
    """Parse, draw, write the truth."""
    parser = argparse.ArgumentParser(prog="python -m demo_studies.render", description=__doc__)
    parser.add_argument(
        "--folder", default=str(HERE), help="where to write (default: demo_studies)"
    )
    parser.add_argument(
        "--detail", type=float, default=1.0, help="fineness of the surfaces, 1 as committed"
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--sheets", action="store_true", help="write the sheets alone")
    chosen = parser.parse_args()
    if chosen.sheets:
        write_sheet(shade.visit(), Path(chosen.folder) / shade.FOLDER / shade.visit().folder)
        for visit in visits():
            write_sheet(visit, Path(chosen.folder) / visit.folder)
        return
    count = len(visits())
    with ProcessPoolExecutor(chosen.workers) as pool:
        found = pool.map(draw_visit, range(count), [chosen.detail] * count, [chosen.folder] * count)
        facts = [fact for visit in found for fact in visit]
    truth = {"pictures": facts}
    truth["shade_case"] = draw_shade_case(chosen.detail, Path(chosen.folder))
    text = json.dumps(truth, indent=1, ensure_ascii=False)
    (Path(chosen.folder) / "truth.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
