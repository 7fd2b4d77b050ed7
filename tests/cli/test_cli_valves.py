"""The commands ``curves`` and ``fit``."""

from __future__ import annotations

import json

import pytest

from simwrap.cli import app


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        app.main(list(arguments))
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_slopes_at_a_published_point(capsys):
    """12AX7 at 250 V, -2 V: 1.2 mA, 1.6 mS, 62.5 kohm, mu 100 (RCA RC-30, from memory; mu, ra also seen)."""
    code, out, _ = run(capsys, "curves", "ECC83", "--at", "250,-2", "--json")
    assert code == 0
    (point,) = json.loads(out)["points"]
    assert point["anode_current"] == pytest.approx(1.2e-3, rel=0.05)
    assert point["gm"] == pytest.approx(1.6e-3, rel=0.05)
    assert point["ra"] == pytest.approx(62.5e3, rel=0.05)
    assert point["mu"] == pytest.approx(point["gm"] * point["ra"], rel=1e-6)


@pytest.mark.parametrize("what", ["anode", "transfer", "triode-connected", "ultra-linear"])
def test_pictures_of_a_pentode(capsys, tmp_path, what):
    target = tmp_path / "c.png"
    code, _, _ = run(capsys, "curves", "6V6GT", "--what", what, "--plot", str(target))
    assert code == 0
    assert target.stat().st_size > 10_000


def test_a_load_line_gives_the_operating_point(capsys):
    arguments = ["--supply", "300", "--anode-resistor", "100k", "--cathode-resistor", "1k5", "--json"]
    code, out, _ = run(capsys, "curves", "12AX7", *arguments)
    assert code == 0
    (point,) = json.loads(out)["points"]
    # Kirchhoff round the loop.
    drop = 300.0 - point["anode_current"] * (100e3 + 1.5e3)
    assert point["anode_voltage"] == pytest.approx(drop, rel=1e-3)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["curves", "12AX7", "--at", "250"], "ANODE,GRID"),
        (["curves", "6V6GT", "--at", "250,-12"], "ANODE,GRID,SCREEN"),
        (["curves", "12AX7", "--what", "colours"], "colours"),
        (["curves", "12AX7", "--supply", "300"], "--anode-resistor"),
        (["curves", "6V6GT", "--tap", "2"], "--tap"),
        (["fit", "/not/there.csv", "-o", "/tmp/never.toml"], "/not/there.csv"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(capsys, arguments, said):
    code, _, err = run(capsys, *arguments)
    assert code == 2
    assert said in err
    assert "Traceback" not in err


def test_fit_writes_a_valve_file_that_can_be_used(capsys, tmp_path):
    from simwrap.valves import get_valve

    law = get_valve("12AU7")
    rows = [
        (va, vg, 1e3 * float(law.currents(va, vg).anode))
        for va in (50.0, 100.0, 150.0, 200.0, 250.0)
        for vg in (0.0, -2.0, -4.0, -6.0, -8.0)
    ]
    table = tmp_path / "traced.csv"
    lines = [f"{va},{vg},{ia}" for va, vg, ia in rows if ia > 0.05]
    table.write_text("anode_voltage_v,grid_voltage_v,anode_current_ma\n" + "\n".join(lines) + "\n")
    code, _, err = run(
        capsys,
        "fit",
        str(table),
        "-o",
        str(tmp_path / "bench.toml"),
        "--kind",
        "triode",
        "--plot",
        str(tmp_path / "f.png"),
    )
    assert code == 0, err
    assert "written" in err
    made = get_valve("bench", folders=[tmp_path])
    assert float(made.currents(200.0, -5.0).anode) == pytest.approx(float(law.currents(200.0, -5.0).anode), rel=0.02)


def test_a_fit_without_what_it_needs_is_refused(capsys, tmp_path):
    """A pentode's points without a screen voltage: nothing printed, nothing written, the lines named."""
    table = tmp_path / "two.csv"
    table.write_text("anode_voltage,grid_voltage,anode_current\n250,-8,9 mA\n90,0,10 mA\n")
    code, out, err = run(capsys, "fit", str(table), "-o", str(tmp_path / "k.toml"), "--kind", "pentode")
    assert (code, out) == (2, "")
    assert err.rstrip().count("\n") == 0
    assert "lines 2, 3: screen_voltage is missing" in err
    assert not (tmp_path / "k.toml").exists()
    code, _, err = run(capsys, "fit", str(table), "-o", str(tmp_path / "k.toml"), "--kind", "foo")
    assert code == 2
    assert "known: pentode, rectifier, triode" in err


def test_a_load_line_follows_the_connection(capsys):
    """Triode-connected: the screen is at the anode, and slopes are the triode's (EL34 sheet, mu about 10.5)."""
    code, out, _ = run(
        capsys, "curves", "EL34", "--what", "triode-connected", "--supply", "400", "--anode-resistor", "5k",
        "--cathode-resistor", "470", "--json",
    )  # fmt: skip
    assert code == 0
    (point,) = json.loads(out)["points"]
    assert point["screen_voltage"] == point["anode_voltage"]
    total = point["anode_current"] + point["screen_current"]
    assert point["anode_voltage"] == pytest.approx(400 - total * (5000 + 470), rel=1e-6)
    assert point["grid_voltage"] == pytest.approx(-470 * total, rel=1e-6)
    assert 9 < point["mu"] < 12
    code, out, _ = run(capsys, "curves", "EL34", "--what", "triode-connected", "--at", "250,-15.5", "--json")
    assert code == 0
    assert json.loads(out)["points"][0]["mu"] == pytest.approx(10.5, rel=0.05)


def test_sections_and_rectifiers_can_be_asked_for(capsys):
    code, out, _ = run(capsys, "curves", "ECL82", "--kind", "pentode", "--at", "200,-16,200", "--json")
    assert code == 0
    assert json.loads(out)["points"][0]["anode_current"] == pytest.approx(0.035, rel=0.05)
    code, out, _ = run(capsys, "curves", "GZ34", "--at", "17", "--json")
    assert code == 0
    assert json.loads(out)["points"][0]["anode_current"] == pytest.approx(0.225, rel=0.01)
    code, out, _ = run(capsys, "show", "ECL82", "--kind", "pentode", "--json")
    assert code == 0
    assert json.loads(out)["kind"] == "pentode"
    code, out, _ = run(capsys, "list", "valves", "--json")
    (listed,) = [entry for entry in json.loads(out)["valves"] if entry["valve"] == "ECL82"]
    assert listed["kinds"] == ["triode", "pentode"]
    assert listed["designations"] == ["6BM8"]


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--supply", "300", "--anode-resistor", "100k", "--cathode-resistor=-1k"], "cathode_resistor"),
        (["--supply=-300", "--anode-resistor", "100k"], "supply"),
        (["--supply", "300", "--anode-resistor=-100k"], "anode_resistor"),
        (["--anode-resistor", "100k"], "--supply is missing"),
        (["--what", "transfer", "--supply", "300", "--anode-resistor", "100k"], "anode curves"),
        (["--kind", "pentod"], "pentode"),
    ],
)
def test_load_lines_that_cannot_be_meant(capsys, arguments, word):
    code, _, err = run(capsys, "curves", "12AX7", *arguments)
    assert code == 2
    assert word in err
    assert "Traceback" not in err
