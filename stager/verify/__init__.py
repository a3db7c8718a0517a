"""The proof: originals untouched, copies different in level alone, each difference in one sentence."""

from stager.verify.prove import Verified, verify_project

__all__ = ["Verified", "verify_project"]
