"""The long simulations and the outside values that put the methods to the test. They stand beside the package and are not installed."""
