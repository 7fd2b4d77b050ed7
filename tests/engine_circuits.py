"""Small circuits with invented constants for the tests of the engines."""

from __future__ import annotations


def triode(name: str, anode: str, grid: str, cathode: str, *, scale: float = 1.0, mu: float = 100.0) -> list[str]:
    """A triode law in two sections with grid current; every constant is made up."""
    p = f"n_{name}"
    va, vg = (f"v(n_{node},n_{cathode})" for node in (anode, grid))
    softplus = f"v({p}_w)*(max(v({p}_z#),0.0)+ln(1.0+exp(-abs(v({p}_z#)))))"
    one, two = (softplus.replace("#", number) for number in "12")
    knee = f"(({vg}+0.2)/0.165)"
    lines = [
        f"b_{name}_w {p}_w 0 v={20.0 / mu!r}+{0.12 / mu!r}*max({va},0.0)",
        f"b_{name}_z1 {p}_z1 0 v=(max({va},0.0)/{mu!r}+{vg}+0.5)/v({p}_w)",
        f"b_{name}_z2 {p}_z2 0 v=(max({va},0.0)/{mu / 2.0!r}+{vg}+0.5)/v({p}_w)",
        f"b_{name}_ia {p}_ia 0 v={1.2 * scale!r}*(0.8*pwr({one},1.4)+0.2*pwr({two},1.4))"
        f"*(1.0-exp(-max({va},0.0)/12.0))",
        f"b_{name}_anode n_{anode} n_{cathode} i=0.001*v({p}_ia)",
        f"b_{name}_ig {p}_ig 0 v=0.4*pwr(0.165*(max({knee},0.0)+ln(1.0+exp(-abs({knee})))),1.5)",
        f"b_{name}_grid n_{grid} n_{cathode} i=0.001*v({p}_ig)",
    ]
    return lines + [f"r_{name}_{quantity} {p}_{quantity} 0 1000000.0" for quantity in ("w", "z1", "z2", "ia", "ig")]


def stage() -> str:
    """One stage with 22 uF at the cathode and 22 nF couplings."""
    lines = [
        "* one stage",
        "v_supply n_supply 0 dc 250.0",
        "v_signal n_source 0 dc 0.0 ac 1.0",
        "r_source n_source n_in 10000.0",
        "c_in n_in n_grid 2.2e-08",
        "r_leak n_grid 0 1000000.0",
        "r_anode n_supply n_anode 100000.0",
        "r_cathode n_cathode 0 1500.0",
        "c_cathode n_cathode 0 2.2e-05",
        "c_out n_anode n_out 2.2e-08",
        "r_load n_out 0 470000.0",
        "c_load n_out 0 1e-10",
        "c_v1 n_grid n_anode 1.6e-12",
    ]
    return "\n".join(lines + triode("v1", "anode", "grid", "cathode")) + "\n"


def two_stages() -> str:
    """Two coupled stages."""
    lines = [
        "v_supply n_supply 0 dc 250.0",
        "v_signal n_source 0 dc 0.0 ac 1.0",
        "r_source n_source n_a0 10000.0",
        "c_out n_a2 n_out 1e-07",
        "r_load n_out 0 220000.0",
    ]
    for k in (1, 2):
        lines += [
            f"c_c{k} n_a{k - 1} n_g{k} 2.2e-08",
            f"r_g{k} n_g{k} 0 470000.0",
            f"r_a{k} n_supply n_a{k} 100000.0",
            f"r_k{k} n_k{k} 0 1500.0",
            f"c_k{k} n_k{k} 0 2.2e-05",
            f"c_m{k} n_g{k} n_a{k} 2e-12",
            *triode(f"v{k}", f"a{k}", f"g{k}", f"k{k}"),
        ]
    return "\n".join(lines) + "\n"


def push_pull() -> str:
    """Two output valves with one cathode resistor and a transformer (coupled inductors)."""
    lines = [
        "v_supply n_supply 0 dc 285.0",
        "v_signal n_in 0 dc 0.0 ac 1.0",
        "e_a n_da 0 n_in 0 1.0",
        "e_b n_db 0 n_in 0 -1.0",
        "r_k n_k 0 220.0",
        "c_k n_k 0 0.0001",
        "l_p1 n_supply n_ta 12.0",
        "l_p2 n_tb n_supply 12.0",
        "l_s n_s 0 0.048",
        "k_12 l_p1 l_p2 0.9995",
        "k_1s l_p1 l_s 0.9995",
        "k_2s l_p2 l_s 0.9995",
        "r_s n_s n_out 0.4",
        "r_load n_out 0 8.0",
        "c_w n_aa n_ab 5e-10",
        "r_w n_aa n_ab 200000.0",
    ]
    for half in "ab":
        lines += [
            f"c_{half} n_d{half} n_h{half} 1e-07",
            f"r_g{half} n_h{half} 0 220000.0",
            f"r_s{half} n_h{half} n_g{half} 1500.0",
            f"r_t{half} n_t{half} n_a{half} 120.0",
            f"c_m{half} n_g{half} n_a{half} 8e-12",
            *triode(f"v{half}", f"a{half}", f"g{half}", "k", scale=8.0, mu=9.0),
        ]
    return "\n".join(lines) + "\n"


DIVIDER = "v_signal n_in 0 dc 0.0 ac 1.0\nr_a n_in n_out 1000.0\nr_b n_out 0 1000.0\n"


def amplifier(feedback: float = 0.0) -> str:
    """A whole channel of seven valve systems; ``feedback`` [ohm] from the loudspeaker, 0: open loop.

    Line stage, a passive loss, second stage, follower, volume, pentode, cathodyne (direct-coupled), a pair with
    its transformer, and the supply chain that feeds them. The loop goes to the pentode's cathode. A step network
    at the pentode's anode and a capacitor across the feedback resistor keep it stable. All values are made up.
    """
    import simwrap

    halves = []
    for half, turn in (("a", ("n_centre_a n_winding_a", "0 n_core v_half_a")),
                       ("b", ("n_winding_b n_centre_b", "n_core 0 v_half_b"))):  # fmt: skip
        halves += [
            f"r_grid_leak_{half} n_leak_{half} 0 220000.0",
            f"r_stopper_{half} n_leak_{half} n_grid_{half} 1000.0",
            f"v_half_{half} n_plus n_centre_{half} dc 0.0",
            f"e_half_{half} {turn[0]} n_core 0 1.0",
            f"f_half_{half} {turn[1]} 1.0",
            f"r_winding_{half} n_winding_{half} n_leakage_{half} 150.0",
            f"l_leakage_{half} n_leakage_{half} n_anode_{half} 0.004",
            f"c_interwinding_{half} n_anode_{half} n_speaker 1e-10",
        ]
    lines = [
        "v_supply n_supply 0 dc 300.0",
        "r_plus n_supply n_plus 60.0",
        "c_plus n_plus 0 0.0001",
        "r_screens n_plus n_screens 470.0",
        "c_screens n_screens 0 4.7e-05",
        "r_driver n_screens n_driver 4700.0",
        "c_driver n_driver 0 4.7e-05",
        "r_line n_driver n_line 10000.0",
        "c_line n_line 0 4.7e-05",
        # line stage and a loss of 20 dB
        "v_signal n_signal 0 dc 0.0 ac 1.0",
        "r_source n_signal n_g1 10000.0",
        "r_g1 n_g1 0 1000000.0",
        "r_a1 n_line n_a1 100000.0",
        "r_k1 n_k1 0 1500.0",
        "c_k1 n_k1 0 2.2e-05",
        "c_c1 n_a1 n_loss 1e-07",
        "r_loss1 n_loss n_g2 220000.0",
        "r_loss2 n_g2 0 22000.0",
        "c_loss n_g2 0 1e-10",
        # second stage and follower
        "r_a2 n_line n_a2 100000.0",
        "r_k2 n_k2 0 1500.0",
        "c_k2 n_k2 0 2.2e-05",
        "r_a3 n_driver n_a3 100.0",
        "r_k3 n_k3 0 47000.0",
        "r_g3 n_a2 n_g3 1000.0",
        # volume
        "c_c3 n_k3 n_top 4.7e-07",
        "r_top n_top n_wiper 470000.0",
        "r_bottom n_wiper 0 4700.0",
        # pentode with a step network, direct-coupled to the splitter
        "r_g4 n_wiper n_g4 1000.0",
        "r_screen4 n_driver n_s4 560000.0",
        "c_screen4 n_s4 n_k4 2.2e-07",
        "r_a4 n_driver n_a4 220000.0",
        "c_step n_a4 n_step 1.5e-10",
        "r_step n_step 0 22000.0",
        "r_k4 n_k4 n_foot 1000.0",
        "c_k4 n_k4 n_foot 0.0001",
        "r_foot n_foot 0 100.0",
        "r_g5 n_a4 n_g5 1000.0",
        "r_a5 n_driver n_a5 22000.0",
        "r_k5 n_k5 0 22000.0",
        "c_a5 n_a5 n_leak_a 4.7e-07",
        "c_k5 n_k5 n_leak_b 4.7e-07",
        # output stage
        "r_cathode n_cathode 0 270.0",
        "c_cathode n_cathode 0 0.00047",
        "l_core n_core 0 15.0",
        "r_core n_core 0 50000.0",
        "c_primary n_anode_a n_anode_b 2e-10",
        "b_secondary n_secondary 0 v=v(n_core)*0.0632",
        "r_secondary n_secondary n_sense 0.4",
        "v_secondary n_sense n_speaker dc 0.0",
        "b_turns n_core 0 i=i(v_secondary)*0.0632",
        "r_speaker n_speaker 0 8.0",
        *halves,
    ]
    if feedback:
        lines += [f"r_feedback n_speaker n_foot {feedback!r}", f"c_feedback n_speaker n_foot {1e-6 / feedback!r}"]
    for valve, name, anode, grid, cathode, screen in (
        ("6SL7GT", "v1", "a1", "g1", "k1", None),
        ("6SL7GT", "v2", "a2", "g2", "k2", None),
        ("6SN7GT", "v3", "a3", "g3", "k3", None),
        ("6AU6", "v4", "a4", "g4", "k4", "n_s4"),
        ("6SN7GT", "v5", "a5", "g5", "k5", None),
        ("6V6GT", "v6", "anode_a", "grid_a", "cathode", "n_screens"),
        ("6V6GT", "v7", "anode_b", "grid_b", "cathode", "n_screens"),
    ):
        lines += simwrap.valve(valve).netlist(
            name, anode=f"n_{anode}", grid=f"n_{grid}", cathode=f"n_{cathode}", screen=screen
        )
    return "\n".join(lines) + "\n"
