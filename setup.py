"""What pyproject.toml cannot say: notebooks and evidence lie beside the package in a checkout, and inside it once installed."""

from setuptools import find_packages, setup

BESIDE = {"analytics.shipped.notebooks": "notebooks", "analytics.shipped.evidence": "data/evidence"}

setup(packages=[*find_packages(include=["analytics", "analytics.*"]), *BESIDE], package_dir=BESIDE)
