"""A bench for the simulator's tests: charts of a few hand-placed targets, lenses without faults."""

from lensbench.chart.layout.parts import Frame, Layout, Target
from lensbench.simulate import Camera, Pose, Scene, ZoomPosition, prime

FRAME_MM = (96.0, 144.0)


def bench_layout(*targets, dark=0.25):
    """A sheet with targets given as (center_mm, radius_mm, turn_deg), framed 144 mm x 96 mm."""
    return Layout(
        name="bench",
        paper="bench",
        paper_mm=(200.0, 300.0),
        targets=tuple(
            Target(name=f"T{number:02d}", center_mm=center_mm, radius_mm=radius_mm, turn_deg=turn_deg)
            for number, (center_mm, radius_mm, turn_deg) in enumerate(targets, start=1)
        ),
        markers=(),
        frames=(Frame(ratio="3:2", size_mm=FRAME_MM),),
        quiet_radius_mm=1.0,
        dark_reflectance=dark,
    )


def faultless(**faults):
    """A 50-mm position without any blur of its own, but for the faults named."""
    clean = {
        "residual_um": 0.0,
        "residual_corner_um": 0.0,
        "open_um": 0.0,
        "open_corner_along_um": 0.0,
        "open_corner_across_um": 0.0,
        "vignetting_stops": 0.0,
    }
    return ZoomPosition(focal_length_mm=50.0, **{**clean, **faults})


def bench_scene(
    *targets, rows=400, cfa="mono", pose=None, widest=2.0, dark=0.25, print_sigma_mm=0.0, **faults
):
    return Scene(
        layout=bench_layout(*targets, dark=dark),
        lens=prime("Bench 50", faultless(**faults), widest_f_number=widest),
        camera=Camera(rows=rows, cols=rows * 3 // 2, cfa=cfa),
        pose=pose or Pose(),
        print_sigma_mm=print_sigma_mm,
    )
