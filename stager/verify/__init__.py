"""The proof: originals untouched, copies different in level alone, each difference in one sentence."""

from stager.verify.packs import VerifiedPack, verify_packs
from stager.verify.prove import Verified, verify_project

__all__ = ["Verified", "VerifiedPack", "verify_packs", "verify_project"]
