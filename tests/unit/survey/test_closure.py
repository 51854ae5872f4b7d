import math

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer

JOB = default_job("made", survey={"unit": "metre"})
SETUPS = {"S1": (0.0, 0.0), "S2": (20.0, 3.0), "S3": (12.0, 18.0)}


def loop(angle_error=0.0, distance_error=0.0):
    lines = ["setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark"]
    for number, (setup, at) in enumerate(SETUPS.items()):
        for target, place in SETUPS.items():
            if target != setup:
                hz = math.degrees(math.atan2(place[0] - at[0], place[1] - at[1]) - number) % 360
                off = angle_error if (setup, target) == ("S2", "S3") else 0.0
                lines.append(f"{setup},{target},1,1.5,1.5,{hz + off:.9f},90,{math.dist(at, place) + distance_error * (number == 0):.6f},MARK,")
    return "\n".join(lines).encode()


def test_a_loop_without_errors_closes():
    notes = answer(JOB, {"s.csv": loop()}).notes
    assert "S1–S2–S3–S1 closes to 0 mm in 58.9 m" in notes[0]
    assert 'angles to +0"' in notes[0] or 'angles to -0"' in notes[0]


def test_an_angle_off_by_a_minute_shows_in_the_angles():
    assert 'angles to +60"' in answer(JOB, {"s.csv": loop(angle_error=1 / 60)}).notes[0]


def test_a_distance_off_shows_in_the_closure():
    """S1's two distances 100 mm long, the means with the other ends' 50 mm: two courses off by 50 mm, at right angles or so."""
    note = answer(JOB, {"s.csv": loop(distance_error=0.1)}).notes[0]
    first, last = (math.atan2(*SETUPS[name]) for name in ("S2", "S3"))
    expected = 50 * math.hypot(math.sin(first) - math.sin(last), math.cos(first) - math.cos(last))
    assert f"closes to {expected:.0f} mm" in note
