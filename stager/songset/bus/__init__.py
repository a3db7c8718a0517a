"""The sum of all stems: the bus forecast, the restored balance, and the comparison with a rough mix."""

from stager.songset.bus.balance import restored_balance
from stager.songset.bus.channel import part_of
from stager.songset.bus.forecasting import forecast
from stager.songset.bus.rendering import Rendered, render_sum
from stager.songset.bus.rough import against_rough

__all__ = ["Rendered", "against_rough", "forecast", "part_of", "render_sum", "restored_balance"]
