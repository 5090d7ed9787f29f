"""A fitted pickup travels into a rig as text, with its list of eddy sections."""

from labkit.app.kit.pickup.made import checked_text, flatten, made_from, nest, pickup_from_text, pickup_text


def test_a_sheet_with_lists_travels_as_text():
    eddy = [{"fraction": 0.1176, "corner": "4.224 kHz"}, {"fraction": 0.05, "corner": "14 kHz"}]
    coil = {"resistance": "6.21 kΩ", "inductance": "2.54 H", "capacitance": "95 pF", "eddy": eddy}
    data = {"name": "fitted", "coil": {"main": coil}}
    assert nest(flatten(data)) == data
    sections = pickup_from_text(checked_text(pickup_text(made_from("", flatten(data))))).coils["main"].eddy
    assert [section.corner_hz for section in sections] == [4224.0, 14_000.0]
