"""All stems together: the bus forecast, the balance brought back, and a rough mix beside it."""

from stager.bus.balance import restored_balance
from stager.bus.forecasting import forecast
from stager.bus.rough import against_rough
from stager.bus.strips import part_of

__all__ = ["against_rough", "forecast", "part_of", "restored_balance"]
