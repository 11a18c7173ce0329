"""The codes of what the invented dentists saw, as they stand under the pictures of a sheet."""

from pathlib import Path

from archiver.objects import photograph, read_sheet
from archiver.photo import read_camera_file


def codes(folder: Path) -> dict[str, str]:
    """Return the code of each photograph of a visit by the name of its file."""
    session = read_sheet(folder / "sheet.toml")
    found = {}
    for one in session.photographs:
        photo = read_camera_file(one.file)
        plan = one.plan(photo.exif_orientation)
        seen = photograph.examined(session, one, plan, photo, edges="trim")
        found[one.file.name] = seen.code
    return found
