"""What a difference in power means in energy, heat and money; all of it estimates."""

from gpubench_kit.costs.estimates import COSTS, estimate_costs, price_of, value_metric

__all__ = ["COSTS", "estimate_costs", "price_of", "value_metric"]
