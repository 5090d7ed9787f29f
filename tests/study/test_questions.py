"""Ready questions against closed forms and against the rigs they speak of."""

from __future__ import annotations

import importlib
import inspect

import pytest

from docs.tools import commands
from labkit.app.pages.start.questions import asked_tasks
from labkit.app.pages.study.state import StudyPageState
from labkit.app.pages.study.work import answer_question
from labkit.catalogue import catalogue
from labkit.cli import study_commands
from labkit.cli.main import main
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup, load_rig, read_rig, set_value
from labkit.study.questions.cable import line_differences_db
from labkit.study.questions.pots import tone_capacitor_of, tone_knobs
from labkit.study.questions.question import Question, QuestionAnswer, QuestionInput, heard_slot
from labkit.study.questions.ready import (
    QUESTIONS,
    cable_as_a_line,
    capacitance_for_cable,
    load_for_pots,
    longest_cable,
    tone_capacitor_for_hump,
)
from labkit.study.questions.winding import turns_and_wire


def single() -> Rig:
    return load_rig("Saltmarsh Lane, narrow single coil")


def two_coil(tone_capacitor: str = "22n") -> Rig:
    """One equivalent coil of 4.4 H, 8 kΩ, 130 pF without core loss on 500 k pots, 550 pF and 1 MΩ ∥ 100 pF behind."""
    data = {
        "name": "plain two-coil",
        "harness": "one volume, one tone",
        "pickups": {
            "bridge": {
                "name": "plain",
                "coil": {"main": {"resistance": "8 kΩ", "inductance": "4.4 H", "capacitance": "130 pF"}},
            }
        },
        "parts": {"volume": "500k", "tone": "500k", "tone_capacitor": tone_capacitor},
        "chain": [
            {"kind": "cable", "length": "5.5 m", "capacitance": "100 pF/m"},
            {"kind": "input", "resistance": "1 MΩ", "capacitance": "100 pF"},
        ],
    }
    return read_rig(Table(data, "plain two-coil"))


def test_capacitance_before_a_buffer_is_that_of_cable_and_input_less_the_buffers_own() -> None:
    answer = capacitance_for_cable(single(), length=5.0)
    # 5 m × 100 pF/m + 107 pF of the input − 20 pF of the buffer: both resistances are 1 MΩ, so nothing else differs.
    assert answer.value == pytest.approx(587e-12, rel=2e-4)
    assert answer.stocked == 560e-12
    # 27 pF of 700 pF short: the resonance moves by 2 %, which is felt on its slope only.
    assert 0.05 < answer.left_db < 0.3
    assert "587 pF" in answer.sentence
    assert "20.0 pF" in answer.rests_on[1]


@pytest.mark.parametrize(
    ("capacitor", "hump_hz"),
    [(3.3e-9, 1170), (6.8e-9, 845), (10e-9, 700), (22e-9, 460), (47e-9, 280), (100e-9, 124)],
)
def test_humps_of_tone_capacitors_are_those_known_of_the_two_coil_model(capacitor: float, hump_hz: float) -> None:
    # Figures of a nodal analysis of the same model written independently of this package; printed to 5 Hz or so, and
    # broad humps of large capacitors to less.
    answer = tone_capacitor_for_hump(two_coil(), hump_hz=hump_hz, series="E12")
    assert answer.value == pytest.approx(capacitor, rel=0.05)
    rows = {row["capacitance_f"]: row["hump_hz"] for row in answer.rows}
    rig = two_coil(f"{answer.stocked!r} F").replace(settings={"tone": 0})
    assert rows[answer.stocked] == pytest.approx(rig.response().peak.frequency_hz, rel=1e-3)


def test_a_hump_out_of_reach_is_said_with_what_can_be_had() -> None:
    with pytest.raises(InputError, match=r"no capacitor .* they give \d+ Hz to \d+ Hz"):
        tone_capacitor_for_hump(two_coil(), hump_hz=9000.0)
    with pytest.raises(InputError, match="no control 'tune'"):
        tone_capacitor_for_hump(two_coil(), hump_hz=700.0, control="tune")


def test_a_load_that_stands_in_for_smaller_pots_makes_up_their_difference() -> None:
    # Volume and tone at 10 hang 500 k ∥ 500 k on the coil; 250 k ∥ 250 k takes another 250 k beside them.
    rig = set_value(set_value(single(), "volume.value", "500k"), "tone.value", "500k")
    answer = load_for_pots(rig, pots=250e3, series="E24")
    # Through the tone capacitor a pot is not quite a resistor: 2 % at most at 22 nF.
    assert answer.value == pytest.approx(250e3, rel=0.02)
    assert answer.stocked in (240e3, 270e3)
    assert answer.left_db < 0.1
    with pytest.raises(InputError, match="no larger than"):
        load_for_pots(single(), pots=250e3)


def test_a_question_is_about_a_pickup_that_is_heard() -> None:
    rig = load_rig("Saltmarsh Lane, two pickups")  # its selector stands at the bridge, its first slot is the neck
    assert heard_slot(rig) == "bridge"
    assert heard_slot(set_value(rig, "selector", "both")) == "neck"
    assert "across 'bridge'" in load_for_pots(rig, pots=250e3).sentence
    with pytest.raises(InputError, match=r"'neck' of rig .* does not reach the output at these settings; bridge does"):
        load_for_pots(rig, pots=250e3, slot="neck")
    with pytest.raises(InputError, match=r"no pickup of rig .* reaches the output"):
        heard_slot(set_value(rig, "volume", "0"))
    with pytest.raises(InputError, match="Did you mean 'neck'"):
        heard_slot(rig, "nek")


def test_a_rig_without_a_cable_gets_one_and_a_hopeless_limit_is_said() -> None:
    rig = single()
    bare = rig.replace(chain=tuple(stage for stage in rig.chain if stage.kind != "cable"))
    assert longest_cable(bare).value == longest_cable(rig).value
    assert longest_cable(rig, loss_db=60.0, longest=20.0).sentence.startswith("Every cable up to 20 m loses no more")


def test_the_answer_about_a_cable_shows_reference_present_and_longest_with_what_each_takes() -> None:
    answer = longest_cable(single(), loss_db=1.0, band_hz=(1000.0, 4000.0), reference=1.0)
    assert "loses no more than 1 dB anywhere from 1 to 4 kHz against 1 m" in answer.sentence
    assert [(row["cable"], row["length_m"]) for row in answer.rows] == [
        ("reference", 1.0),
        ("present", 5.0),
        ("longest", answer.value),
    ]
    # rounded down to a centimetre, which takes about 0.02 dB here
    assert 0.95 < answer.rows[2]["worst_loss_db"] <= 1.0
    assert answer.rows[2]["treble_end_hz"] < answer.rows[0]["treble_end_hz"]


def test_turns_and_wire_bring_a_built_pickup_back_to_its_own_sound() -> None:
    rig = single().replace(pickups={"bridge": load_pickup("narrow single coil, built")})
    answer = turns_and_wire(rig, target=rig, wires=["AWG 42 single build"], turns=(6000, 10_000))
    # The sheet has 8000 turns; turns are whole, and the search stops within 0.2 %.
    assert answer.value == pytest.approx(8000, rel=0.01)
    assert answer.left_db < 0.05
    with pytest.raises(InputError, match="need a build sheet"):
        turns_and_wire(single(), target=rig, wires=["AWG 42 single build"])
    with pytest.raises(InputError, match="Did you mean"):
        turns_and_wire(rig, target=rig, wires=["AWG 42 singel build"])


def test_an_answer_brings_the_rig_it_is_built_into():
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    found = longest_cable(rig)
    assert found.rig is not None
    assert found.rig.stage("cable").length == found.value
    hump = tone_capacitor_for_hump(rig, hump_hz=500.0)
    assert hump.rig is not None
    assert hump.rig.harness.parts["tone_capacitor"].value == hump.stocked
    equal = capacitance_for_cable(rig, length=5.0)
    assert equal.rig is not None
    assert [stage.kind for stage in equal.rig.chain] == ["bypass box", "buffer", "input"]


def test_a_cable_counts_as_a_line_only_where_it_is_very_long() -> None:
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    found = cable_as_a_line(rig)
    assert 100 < found.value < 1000
    moved = [row["moved_db"] for row in found.rows]
    assert moved == sorted(moved)
    assert line_differences_db(rig, [30.0])[0] < 0.05  # what the lumped cable promises
    assert line_differences_db(rig, [found.value])[0] == pytest.approx(0.1, rel=0.05)
    far = cable_as_a_line(rig, moved_db=5.0, longest=300.0)
    assert far.value == 300.0
    assert far.sentence.startswith("Up to 300 m")


def test_every_question_says_what_it_rests_on_and_fills_its_function() -> None:
    for name, question in QUESTIONS.items():
        assert name == question.name
        assert question.asks.endswith("?")
        assert question.rests_on.endswith(".")
        taken = inspect.signature(question.function).parameters
        assert {each.argument for each in question.inputs} <= taken.keys()
        needed = {each.argument for each in question.inputs if each.is_needed}
        assert needed == {key for key, each in taken.items() if each.default is each.empty} - {"rig"}


def test_a_hump_is_asked_of_the_tone_capacitor_and_of_no_bass_or_bleed_capacitor() -> None:
    harness = catalogue().load("harness", "one volume, bass cut")
    rig = Rig(
        name="bass cut", pickups={slot: load_pickup("narrow single coil") for slot in harness.slots}, harness=harness
    )
    assert tone_knobs(rig) == ("tone",)
    assert tone_capacitor_of(rig, "tone").name == "tone_capacitor"
    with pytest.raises(InputError, match="no capacitor on the control 'volume'"):
        tone_capacitor_of(rig, "volume")


@pytest.fixture
def added_question(monkeypatch):
    """A question that somebody adds, with an option of its own; nothing else is told of it."""

    def level_through_pad(rig: Rig, *, loss_ohm: float = 10e3) -> QuestionAnswer:
        return QuestionAnswer(
            question="pad",
            sentence=f"It is {loss_ohm:g} ohms.",
            value=loss_ohm,
            unit="Ω",
            rests_on=("nothing",),
            rig=rig,
        )

    pad = QuestionInput(
        name="pad",
        argument="loss_ohm",
        meaning="the pad.",
        label="The pad",
        unit="Ω",
        default=10e3,
        low=1.0,
        high=1e6,
        offered=(1e3, 10e3),
    )
    monkeypatch.setitem(
        QUESTIONS,
        "pad",
        Question(
            name="pad",
            asks="How large a pad?",
            answer="resistance of a --pad",
            function=level_through_pad,
            inputs=(pad,),
            rests_on="Nothing.",
            asked_by="Playing",
        ),
    )
    importlib.reload(study_commands)  # a command's options are made when its module is loaded
    yield
    monkeypatch.undo()
    importlib.reload(study_commands)


def test_a_question_is_added_in_one_place(added_question, capsys) -> None:
    assert main(["search", "pad", "--rig", "Saltmarsh Lane, narrow single coil", "--pad", "4k7"]) == 0
    assert "It is 4700 ohms." in capsys.readouterr().out
    assert main(["search", "pad", "--rig", "Saltmarsh Lane, narrow single coil", "--pad", "2M"]) == 2
    assert "--pad: must be at least 1 and at most 1e+06 Ω; got 2e+06 Ω" in capsys.readouterr().err
    assert main(["search", "--help"]) == 0
    assert '"pad"               resistance of a --pad' in capsys.readouterr().out
    bench = StudyPageState(query="v=1&own.ask=question&own.question=pad&own.pad=1000")
    assert bench.problems == ()
    assert "own.pad" in bench.visible_controls
    assert "own.loss" not in bench.visible_controls
    ask = bench.job().ask
    assert answer_question(ask, progress=print, stop=lambda: False).value == 1000.0
    asked = {task["question"] for group in asked_tasks() for task in group["tasks"] if group["who"] == "Playing"}
    assert "How large a pad?" in asked
    assert "| `pad` | How large a pad? | `--pad` (10 kΩ unless given, 1 Ω to 1 MΩ) | Nothing. |" in commands.generate()
