"""How the store's tables come about, one version after the other."""
