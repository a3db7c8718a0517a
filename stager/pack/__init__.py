"""The set made ready for whoever mixes: one start, one length, numbered names, notes, sums."""

from stager.pack.documents import lines_of
from stager.pack.place import USUAL_NAME
from stager.pack.plan import PackPlan, plan_of
from stager.pack.write import Packed, PackOptions, write_pack

__all__ = ["USUAL_NAME", "PackOptions", "PackPlan", "Packed", "lines_of", "plan_of", "write_pack"]
