"""Made-up reviews with known truth: run tables for simulations, logs of single frames for the demo."""

from gpubench_kit.synthetic.run_table import LAYOUTS, Design, Noise, make_review

__all__ = ["LAYOUTS", "Design", "Noise", "make_review"]
