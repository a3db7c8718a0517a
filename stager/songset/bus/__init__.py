"""The sum of all stems: the bus forecast, the restored balance, and the comparison with a rough mix."""

from stager.songset.bus.balance import restored_balance
from stager.songset.bus.channel import part_of
from stager.songset.bus.forecasting import forecast
from stager.songset.bus.rough import against_rough

__all__ = ["against_rough", "forecast", "part_of", "restored_balance"]
