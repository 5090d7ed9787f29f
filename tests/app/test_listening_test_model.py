"""The listening test: what is compared, what stays hidden, what the count means, what survives a reload."""

from __future__ import annotations

import hashlib
import io
import json
from urllib.parse import urlencode

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.sound import take_names
from labkit.app.pages.listening.controls import CHANGED, ONE_PART, read_comparison
from labkit.app.pages.listening.run import trials_table
from labkit.app.pages.listening.seal import Seal, new_number
from labkit.app.pages.listening.state import ListeningPageState
from labkit.app.pages.listening.words import desk_view, result_html
from labkit.core.errors import InputError
from labkit.sound.loudness import QUIET_LUFS, integrated_loudness


def position(listening: ListeningPageState, key: str, value: object) -> int:
    return listening.controls[key].positions.index(value)


def samples(data: bytes) -> np.ndarray:
    return soundfile.read(io.BytesIO(data), dtype="float64")[0]


class TestWhatIsCompared:
    def test_opens_with_two_plausible_rigs_and_an_empty_address(self, listening):
        assert listening.query == ""
        assert listening.names == ("Cable length 5 m", "Cable length 10 m")
        assert listening.snapshot.trials == 16
        assert listening.values["against"] == ONE_PART

    def test_a_pin_of_the_rig_page_is_the_second_rig(self, seal):
        listening = ListeningPageState(seal=seal, query="?v=1&volume.value=500000&pin=volume.value%3D250000")
        assert listening.names == ("Volume pot 500 kΩ", "Volume pot 250 kΩ")
        assert listening.problems == ()

    def test_what_both_share_is_said_once(self, seal):
        listening = ListeningPageState(seal=seal, query="tone=3&cable.length=2&pin=tone%3D3%26cable.length%3D9")
        assert listening.names == ("Cable length 2 m", "Cable length 9 m")
        assert listening.common.endswith("with Tone knob 3 of 10")

    def test_another_part_can_be_changed_and_set(self, listening):
        listening.set_index("part", position(listening, "part", "tone_capacitor"))
        assert listening.names == ("Tone capacitor 22 nF", "Tone capacitor 47 nF")
        listening.set_text(CHANGED, "100n")
        assert listening.names[1] == "Tone capacitor 100 nF"
        listening.undo()
        assert listening.names[1] == "Tone capacitor 47 nF"

    def test_another_rig_of_the_catalogue_can_be_the_second(self, listening):
        other = RigOffers().rigs[1]
        listening.set_index("against", position(listening, "against", other))
        assert listening.names == (RigOffers().rigs[0], other)
        listening.set_index("against", position(listening, "against", ONE_PART))
        assert listening.names == ("Cable length 5 m", "Cable length 10 m")

    def test_a_pin_stays_in_the_list_when_something_else_is_chosen(self, seal):
        listening = ListeningPageState(seal=seal, query="pin=volume%3D3%26tone%3D2")
        pinned = listening.values["against"]
        assert pinned == "Kept: Volume knob 3 of 10, Tone knob 2 of 10"
        listening.set_index("against", position(listening, "against", RigOffers().rigs[1]))
        listening.set_index("against", position(listening, "against", pinned))
        assert listening.snapshot.second.changes == (("tone", 2.0), ("volume", 3.0))

    @pytest.mark.parametrize("name", RigOffers().rigs)
    def test_every_rig_of_the_catalogue_brings_a_comparison(self, listening, name):
        listening.set_index("rig", position(listening, "rig", name))
        assert listening.errors == {}
        assert listening.snapshot.first.rig == name
        assert listening.snapshot.first != listening.snapshot.second

    def test_an_unusable_value_is_told_beside_its_control(self, listening):
        listening.set_text(CHANGED, "five apples")
        assert "Cable length" in listening.errors[CHANGED]

    def test_equal_rigs_are_refused_beside_the_second(self, listening):
        listening.set_text(CHANGED, "5 m")
        listening.prepare()
        assert listening.stage == "choose"
        assert "the same" in listening.errors["against"]

    def test_a_silent_rig_is_refused_with_what_to_do(self, seal):
        listening = ListeningPageState(seal=seal, query="volume=0&pin=volume%3D10")
        listening.prepare()
        assert "turn its volume up" in listening.errors["against"]

    def test_both_curves_are_drawn_and_described(self, listening):
        drawing = listening.draw(600)
        assert 'data-label="A Cable length 5 m"' in drawing
        assert 'data-label="B Cable length 10 m"' in drawing
        assert "A Cable length 5 m: Peak at" in drawing


class TestAddress:
    @pytest.mark.parametrize(
        "query",
        [
            "v=1&cable.length=2&pin=cable.length%3D9",
            "v=1&own.take=arpeggio&own.trials=20",
            "v=1&rig=Saltmarsh+Lane%2C+two+pickups&pin=rig%3DSaltmarsh%2BLane%252C%2Bthree%2Bpickups",
            "v=1&cable.length=10&own.part=volume",
        ],
    )
    def test_a_written_address_makes_the_same_comparison(self, seal, query):
        first = ListeningPageState(seal=seal, query=query)
        assert first.problems == ()
        assert ListeningPageState(seal=seal, query=first.query).snapshot == first.snapshot

    def test_a_comparison_travels_as_a_rig_with_a_pin(self, listening):
        from labkit.app.pages.rig.state import RigPageState

        listening.set_text(CHANGED, "3 m")
        arrived = RigPageState(query=listening.query)
        assert arrived.problems == ()
        assert [pin.pin.setup.changes for pin in arrived.pins] == [(("cable.length", 3.0),)]

    @pytest.mark.parametrize(
        ("query", "told"),
        [
            ("own.trials=many", "no number of trials"),
            ("own.take=<script>", "no take"),
            ("own.colour=red", "colour"),
            ("v=9", "another version"),
            ("rig=nobody", "no rig"),
        ],
    )
    def test_what_cannot_be_used_is_told_and_left_out(self, seal, query, told):
        listening = ListeningPageState(seal=seal, query=query)
        assert told in " ".join(listening.problems)
        assert listening.snapshot.trials == 16

    @pytest.mark.parametrize(("asked", "planned"), [("0", 1), ("7", 7), ("99999", 100), ("-3", 16), ("1e9", 16)])
    def test_trials_are_clamped(self, seal, asked, planned):
        assert ListeningPageState(seal=seal, query=f"own.trials={asked}").snapshot.trials == planned

    @settings(max_examples=40)
    @given(st.text(max_size=200), st.dictionaries(st.text(max_size=20), st.text(max_size=40), max_size=6))
    def test_no_address_breaks_the_page(self, text, fields):
        rigs, takes = RigOffers(), ("E chord",)
        for query in (text, "?" + urlencode({f"own.{name}": value for name, value in fields.items()})):
            state, _ = read_comparison(rigs, query, takes)
            assert state.rig.pins
            assert 1 <= state.trials <= 100


class TestWhatStaysHidden:
    def test_sounds_of_a_trial_are_alike_in_length_and_none_equals_another(self, testing):
        for _ in range(testing.run.trials):
            sounds = testing.run.trial_sounds()
            assert len({len(data) for data in sounds}) == 1
            assert len(set(sounds)) == 3
            assert len({data[:44] for data in sounds}) == 1, "headers are alike"
            testing.answer("a", testing.run.present)

    def test_sounds_are_equally_loud_and_quiet(self, testing):
        for data in testing.run.trial_sounds():
            # trade practice for a fair comparison: within 0.1 dB; the meter is good to 0.1 LU at the target
            assert integrated_loudness(samples(data), 48_000) == pytest.approx(QUIET_LUFS, abs=0.1)

    def test_x_is_one_of_the_two_but_for_dither_of_one_step(self, testing):
        truths = []
        for _ in range(testing.run.trials):
            a, b, x = map(samples, testing.run.trial_sounds())
            apart = [float(np.max(np.abs(x - other))) for other in (a, b)]
            # each of the two carries up to one 24-bit step of dither and half a step of rounding
            assert min(apart) <= 3 * 2.0**-23
            assert max(apart) > 100 * min(apart), "the two rigs themselves are far from equal"
            truths.append("a" if apart[0] < apart[1] else "b")
            testing.answer(truths[-1], testing.run.present)
        testing.finish()
        assert testing.result["score"]["correct"] == 16, "the plan in the result is the one that was played"

    def test_nothing_that_leaves_the_kernel_before_the_end_depends_on_the_plan(self, seal, monkeypatch):
        # two tests with opposite plans but one number and one fingerprint look the same from outside
        seen = []
        for flip in (False, True):
            listening = ListeningPageState(seal=seal, stamp=lambda: "2026-01-02T03:04:05Z")
            monkeypatch.setattr("labkit.app.pages.listening.state.new_number", lambda: "ab" * 16)
            listening.prepare()
            listening.begin()
            if flip:
                from labkit.sound.blind.abx import Trial

                test = listening.run._test
                flipped = tuple(Trial(a=1 - trial.a, x=trial.x) for trial in test.trials)
                object.__setattr__(test, "trials", flipped)
            views = []
            for _ in range(16):
                view = desk_view(listening)
                views.append({**view, "seal": "", "kept": {**json.loads(view["kept"]), "fingerprint": ""}})
                listening.answer("b", listening.run.present)
            seen.append(views)
        assert seen[0] == seen[1]

    def test_neither_plan_nor_seed_nor_nonce_is_in_what_the_page_gets(self, testing):
        text = json.dumps(desk_view(testing))
        key = testing.run._test.key
        assert str(key["seed"]) not in text
        assert key["nonce"] not in text
        assert "right_answer" not in text

    def test_the_fingerprint_shown_all_along_is_that_of_the_plan_in_the_result(self, testing):
        shown = desk_view(testing)["seal"].removesuffix(" …").split()[-1]
        assert len(shown) == 8  # 32 bits of it: enough to hold the result to, short enough to be read
        for _ in range(16):
            testing.answer("cannot tell", testing.run.present)
        testing.finish()
        key = json.dumps(testing.result["key"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(key.encode()).hexdigest() == testing.result["fingerprint"]
        assert testing.result["fingerprint"].startswith(shown)

    def test_plans_of_different_tests_differ_and_x_is_fair(self, seal):
        from labkit.sound.blind.abx import plan_trials

        plans = [plan_trials(16, seal.seed(new_number())) for _ in range(64)]
        assert len(set(plans)) == 64
        right = sum(trial.right == "a" for plan in plans for trial in plan)
        # a fair coin in 1024 throws: outside 400 … 624 less often than once in 10¹¹ (binomial)
        assert 400 < right < 624
        assert all(sum(trial.x for trial in plan) == 8 for plan in plans)

    def test_a_different_machine_has_another_secret(self, tmp_path):
        number = new_number()
        assert Seal(tmp_path / "one").seed(number) != Seal(tmp_path / "other").seed(number)
        assert Seal(tmp_path / "one").seed(number) == Seal(tmp_path / "one").seed(number)
        assert (tmp_path / "one" / "secret").stat().st_mode & 0o077 == 0

    def test_without_a_place_for_the_secret_the_page_says_that_the_test_will_not_last(self, tmp_path):
        (tmp_path / "file").write_text("in the way")
        listening = ListeningPageState(seal=Seal(tmp_path / "file" / "listening"))
        assert not listening.seal.is_lasting
        assert any("lasts only while this page is open" in line for line in desk_view(listening)["lines"])


class TestAnswers:
    def test_practice_tells_at_once_and_counts_for_nothing(self, listening):
        listening.prepare()
        said = {listening.run.try_one("a").partition(".")[0] for _ in range(40)}
        assert said == {"Right", "Not this time"}
        assert listening.run.answers == []
        assert listening.run.practised == 40

    def test_practice_keeps_the_first_rig_on_a(self, listening):
        listening.prepare()
        a, b, x = map(samples, listening.run.practice_sounds())
        first, second = listening.run._sounds.pair
        # dither of up to one step and half a step of rounding
        assert np.max(np.abs(a - first)) <= 2 * 2.0**-23
        assert np.max(np.abs(b - second)) <= 2 * 2.0**-23
        assert min(np.max(np.abs(x - a)), np.max(np.abs(x - b))) <= 3 * 2.0**-23

    @pytest.mark.parametrize(("correct", "unsure"), [(16, 0), (12, 0), (8, 0), (9, 4), (0, 16)])
    def test_p_is_the_exact_binomial_tail(self, testing, correct, unsure):
        for number, trial in enumerate(testing.run._test.trials):
            wrong = "b" if trial.right == "a" else "a"
            choice = trial.right if number < correct else "cannot tell" if number < correct + unsure else wrong
            testing.answer(choice, testing.run.present)
        assert testing.stage == "answered"
        testing.finish()
        score = testing.result["score"]
        decided = 16 - unsure
        assert (score["correct"], score["decided"], score["cannot_tell"]) == (correct, decided, unsure)
        # scipy's exact binomial test, to the last digits of a double
        expected = binomtest(correct, decided, alternative="greater").pvalue if decided else 1.0
        assert score["p_value"] == pytest.approx(expected, rel=1e-12)
        assert testing.result["told_apart"] == (score["p_value"] <= 0.05)

    def test_could_not_tell_throughout_is_a_full_answer(self, testing):
        for _ in range(16):
            testing.answer("cannot tell", testing.run.present)
        testing.finish()
        assert "full answer" in result_html(testing.result)

    def test_an_answer_to_another_trial_is_dropped(self, testing):
        testing.answer("a", 2)
        assert testing.run.answers == []
        testing.answer("a", 1)
        testing.answer("b", 1)
        assert testing.run.answers == [("a", "2026-01-02T03:04:05Z")]

    def test_the_last_answer_can_be_taken_back_until_the_seal_is_open(self, testing):
        testing.answer("a", 1)
        testing.take_back()
        assert testing.run.present == 1
        testing.answer("b", 1)
        testing.finish()
        assert testing.stage == "result"
        testing.take_back()
        assert len(testing.run.answers) == 1
        with pytest.raises(InputError, match="is open"):
            testing.run.answer("a")

    def test_an_early_end_is_said(self, testing):
        testing.answer("a", 1)
        testing.finish()
        assert "ended after 1 of 16" in testing.result["meaning"]
        assert testing.result["trials"][5]["answer"] is None

    def test_nothing_is_opened_without_an_answer(self, testing):
        testing.finish()
        assert testing.stage == "trial"

    def test_names_in_the_result_are_escaped(self, testing):
        testing.answer("a", 1)
        testing.finish()
        for trial in testing.result["trials"]:
            trial["a"] = "<script>alert(1)</script>"
        assert "<script>" not in result_html(testing.result)

    def test_the_table_has_a_row_for_each_trial_and_no_formula(self, testing):
        testing.answer("a", 1)
        testing.finish()
        testing.result["trials"][0]["a"] = '=HYPERLINK("x")'
        rows = trials_table(testing.result).decode().splitlines()
        assert len(rows) == 17
        assert "'=HYPERLINK" in rows[1]


def test_the_usual_take_is_among_those_offered(listening):
    assert listening.controls["take"].positions == take_names()
