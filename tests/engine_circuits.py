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
