"""What a lens's report was made from, so that somebody else can tell whether he has the same files and program."""

from collections.abc import Iterator, Sequence
from math import isfinite

from lensbench.model.setting import listed
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import LensFindings, SweepFindings, SweepShot
from lensbench.report.page.document import Block, Fold, method, tables
from lensbench.report.page.opening import days_taken
from lensbench.report.text.words import Grid, clean_line, figure_range, photo_labels, texts
from lensbench.storage.text import clean_text


def made_from(lens: LensFindings, shots: Sequence[SweepShot], findings: SweepFindings) -> Fold:
    """Photographs, camera, method, version and command, how it was measured, and the SHA-256 of each file."""
    sd, words = lens.shot_sd_percent, texts("made_from")
    spread = f" (here {sd:.1f} % of MTF50, from {clean_text(lens.spread_from)})" if isfinite(sd) else ""
    rows = tuple(_rows(lens, shots, findings))
    known = Grid(caption=words["title"], header=("what", "which"), rows=rows)
    blocks: tuple[Block, ...] = (
        *tables(("", known), kind="list"),
        method("sweep", name=clean_text(findings.method), spread=spread),
        *_hashes(shots),
    )
    return Fold(words["title"], blocks)


def _rows(
    lens: LensFindings, shots: Sequence[SweepShot], findings: SweepFindings
) -> Iterator[tuple[str, str]]:
    """A row for each that is known."""
    words = texts("made_from")
    used = [shot for shot in shots if shot.used]
    results = [shot.measured for shot in used]
    yield "photographs", words["photographs"].format(used=len(used), given=lens.shots)
    if days := days_taken(results):
        yield "taken", days
    isos = sorted({shot.planned.metadata.iso for shot in used if shot.planned.metadata.iso})
    if isos:
        yield "ISO", figure_range(isos[0], isos[-1], "d")
    yield from _sensor(lens)
    if results:
        yield "encoding", listed(sorted({words[_encoding(result)] for result in results}))
    yield "method", clean_text(findings.method)
    yield "made by", f"lensbench {clean_text(findings.version)}"
    if findings.command:
        yield "command", clean_line(findings.command)


def _sensor(lens: LensFindings) -> Iterator[tuple[str, str]]:
    """Pixel pitch, and the size of the sensor as far as pictures show it."""
    pitch_um, size_px = lens.pixel_pitch_um, lens.size_px
    if pitch_um is not None:
        yield "pixel pitch", f"{pitch_um:.3g} µm"
    if size_px is not None:
        rows, cols = size_px
        mm = (
            ""
            if pitch_um is None
            else f"{cols * pitch_um / 1000.0:.1f} x {rows * pitch_um / 1000.0:.1f} mm, "
        )
        yield "sensor", f"{mm}{cols} x {rows} px"


def _encoding(result: ShotResult) -> str:
    """How its codes relate to light, by name."""
    if result.sensor_data:
        return "raw"
    return "assumed" if any(remark.flag == "tone_unknown" for remark in result.quality) else "known"


def _hashes(shots: Sequence[SweepShot]) -> tuple[Fold, ...]:
    """SHA-256 of each photograph measured; none where none is kept."""
    measured = [shot for shot in shots if isinstance(shot.result, ShotResult) and shot.result.sha256]
    if not measured:
        return ()
    labels = photo_labels(tuple(shot.planned.path for shot in measured))
    measured.sort(key=lambda shot: shot.planned.path)
    title = texts("made_from")["hashes"]
    grid = Grid.of(
        measured,
        title,
        {"photograph": lambda shot: labels[shot.planned.path], "SHA-256": lambda shot: shot.measured.sha256},
    )
    return (Fold(title, tables(("", grid), kind="plain"), minor=True),)
