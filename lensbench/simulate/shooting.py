"""Pressing the button: one photograph in memory, or a series of them on disk with the truth beside it."""

import json
from collections.abc import Callable, Generator, Iterable
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, closing
from dataclasses import asdict, dataclass
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from lensbench.model.errors import LensError
from lensbench.simulate.files import write_dng, write_jpeg, write_tiff
from lensbench.simulate.scene import Geometry, Scene, Shot
from lensbench.simulate.sensor import Plane, finished_picture, light_on_sensor, raw_numbers
from lensbench.simulate.truth import TrueEdge, true_edges
from lensbench.storage.files import probe_folder, remove_drafts, sole_writer, write_whole, writing
from lensbench.workers import WorkersUnavailable, pool_of

Format = Literal["dng", "jpeg", "tiff", "tiff-linear"]
_FORMAT: Final = {"name": "lensbench truth", "version": 1}
_SIDE_BY_SIDE_BYTES: Final = 400_000_000  # memory that the frames rendered side by side may take


@dataclass(frozen=True, slots=True, kw_only=True)
class Processing:
    """What becomes of the light."""

    format: Format = "dng"
    sharpening: float = 0.0
    """In-camera sharpening of a JPEG or TIFF: 0 none, 0.5 moderate, 1 strong."""
    jpeg_quality: int = 95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photograph:
    """One raw photograph in memory, with its truth."""

    mosaic: npt.NDArray[np.uint16]
    """Sensor numbers, shape (rows, cols)."""
    edges: tuple[TrueEdge, ...]
    geometry: Geometry
    shot: Shot


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One file to be made."""

    scene: Scene
    shot: Shot
    path: Path
    processing: Processing = Processing()

    @property
    def finished(self) -> bool:
        """Whether it becomes a picture rather than raw."""
        return self.processing.format != "dng"


def photograph(scene: Scene, shot: Shot, *, channels: tuple[str, ...] | None = None) -> Photograph:
    """Take one raw photograph in memory, with the truth of these channels; all of the sensor's by default."""
    geometry = scene.geometry(shot.focal_length_mm)
    light = light_on_sensor(geometry, [shot], finished=False)[0]
    return Photograph(
        mosaic=raw_numbers(light, shot, scene.camera),
        edges=tuple(true_edges(geometry, shot, channels=channels or scene.camera.channels)),
        geometry=geometry,
        shot=shot,
    )


def picture(scene: Scene, shot: Shot, *, sharpening: float = 0.0) -> Plane:
    """Take one finished photograph in memory: linear, 0 to 1, (rows, cols, 3) as red, green, blue."""
    geometry = scene.geometry(shot.focal_length_mm)
    light = light_on_sensor(geometry, [shot], finished=True)[0]
    return finished_picture(light, shot, scene.camera, sharpening=sharpening)


def shoot(
    jobs: Iterable[Job],
    *,
    workers: int = 1,
    seed: int = 0,
    truth_channels: tuple[str, ...] | None = None,
    progress: Callable[[int], None] | None = None,
) -> list[Path]:
    """Make the files of some jobs, and a truth.json in every folder they go to.

    Jobs of one scene at one focal length share their work, so give them together. With one worker they are made in this
    process. The truth file tells the seed that the series was drawn with, and the truth of `truth_channels`, all of the
    sensor's by default. `progress` is told the number of files just made. Gives the files in the order of the jobs.

    Raises
    ------
    SettingError
        A folder or a file cannot be written; the files before it stay, nothing half-written does.
    LensError
        A worker was killed, as the system does for want of memory.
    """
    jobs = list(jobs)
    folders = {job.path.parent for job in jobs}
    truths: dict[Path, dict[str, Any]] = {}
    with ExitStack() as held:
        for folder in folders:
            probe_folder(folder)
            held.enter_context(sole_writer(folder))
        try:
            with closing(
                _made(_batches(jobs, workers), workers=workers, truth_channels=truth_channels)
            ) as batches:
                for made in batches:
                    truths.update(made)
                    if progress is not None:
                        progress(len(made))
        except BaseException:
            for folder in folders:
                remove_drafts(folder)
            raise
        for folder in folders:
            photos = [truths[job.path] for job in jobs if job.path.parent == folder]
            document = {"format": _FORMAT, "seed": seed, "photos": photos}
            text = json.dumps(document, separators=(",", ":")) + "\n"
            with writing(folder / "truth.json"):
                write_whole(folder / "truth.json", text.encode())
    return [job.path for job in jobs]


def _made(
    batches: list[list[Job]], *, workers: int, truth_channels: tuple[str, ...] | None
) -> Generator[dict[Path, dict[str, Any]], None, None]:
    """Work the batches off, here or in a pool, and give each one's truth as it is done."""
    make = partial(_shoot_batch, truth_channels=truth_channels)
    if workers <= 1 or len(batches) <= 1:
        yield from map(make, batches)
        return
    try:
        with pool_of(workers) as pool:
            making = {pool.submit(make, batch, index) for index, batch in enumerate(batches)}
            while making:
                done = pool.finished(making)
                making -= done
                for future in done:
                    yield future.result().take()
    except WorkersUnavailable:  # before any batch was begun
        yield from map(make, batches)
    except BrokenProcessPool as error:
        raise LensError(
            "a worker process was ended before its photographs were made, most often for want of memory; "
            "run it again with fewer workers, or with smaller pictures"
        ) from error


def _batches(jobs: list[Job], workers: int) -> list[list[Job]]:
    """Cut the jobs into runs that share a geometry, small enough for memory and to keep all workers busy."""
    groups = groupby(jobs, key=lambda job: (id(job.scene), job.shot.focal_length_mm, job.finished))
    runs = [list(members) for _, members in groups]
    even_share = -(-len(jobs) // max(workers, 1))
    batches = []
    for run in runs:
        camera = run[0].scene.camera
        frame_bytes = camera.rows * camera.cols * (12 if run[0].finished else 4)
        at_most = max(1, min(_SIDE_BY_SIDE_BYTES // frame_bytes, even_share))
        pieces = -(-len(run) // at_most)
        size = -(-len(run) // pieces)
        batches += [run[start : start + size] for start in range(0, len(run), size)]
    return batches


def _shoot_batch(batch: list[Job], truth_channels: tuple[str, ...] | None) -> dict[Path, dict[str, Any]]:
    """Make the files of one batch and give what is true of each."""
    first = batch[0]
    geometry = first.scene.geometry(first.shot.focal_length_mm)
    lights = light_on_sensor(geometry, [job.shot for job in batch], finished=first.finished)
    for job, light in zip(batch, lights, strict=True):
        _develop(job, light)
    channels = first.scene.camera.channels if truth_channels is None else truth_channels
    return {job.path: _truth(job, geometry, channels) for job in batch}


def _develop(job: Job, light: Plane) -> None:
    """Turn the light of one shot into its file."""
    lens, camera, processing = job.scene.lens, job.scene.camera, job.processing
    if processing.format == "dng":
        numbers = raw_numbers(light, job.shot, camera)
        write_dng(job.path, numbers, job.shot, lens=lens, camera=camera)
        return
    linear = finished_picture(light, job.shot, camera, sharpening=processing.sharpening)
    if processing.format == "jpeg":
        quality = processing.jpeg_quality
        write_jpeg(job.path, linear, job.shot, lens=lens, camera=camera, quality=quality)
    else:
        encoding = "linear" if processing.format == "tiff-linear" else "srgb"
        write_tiff(job.path, linear, job.shot, lens=lens, camera=camera, encoding=encoding)


def _truth(job: Job, geometry: Geometry, channels: tuple[str, ...]) -> dict[str, Any]:
    scene, processing = job.scene, job.processing
    sharpening = processing.sharpening if job.finished else 0.0
    edges = true_edges(geometry, job.shot, channels=channels, sharpening=sharpening)
    settings = {
        "camera": f"{scene.camera.maker} {scene.camera.model}",
        "lens": scene.lens.name,
        "exposure_s": job.shot.exposure_s,
        **asdict(job.shot),
        "magnification": geometry.view.magnification,
        "distance_mm": geometry.distance_mm,
        "tilt_deg": {"pitch": scene.pose.pitch_deg, "yaw": scene.pose.yaw_deg, "roll": scene.pose.roll_deg},
        "print_sigma_mm": scene.print_sigma_mm,
        "pixel_pitch_um": scene.camera.pitch_um,
        **asdict(processing),
    }
    return {"file": job.path.name, "settings": settings, "edges": [edge.as_dict() for edge in edges]}
