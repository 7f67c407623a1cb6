"""A first shop.toml proposed from the files themselves."""
