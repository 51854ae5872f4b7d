"""Rule packs, one TOML file a pack."""
