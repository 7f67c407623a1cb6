"""What pyproject.toml cannot say: notebooks, evidence and the demo's sheets lie beside the package in a checkout, and inside it once installed."""

from setuptools import find_packages, setup

BESIDE = {"analytics.shipped.notebooks": "notebooks"}
BESIDE |= {f"analytics.shipped.{name}": f"data/{name}" for name in ("evidence", "demo", "demo_load")}

setup(packages=[*find_packages(include=["analytics", "analytics.*"]), *BESIDE], package_dir=BESIDE)
