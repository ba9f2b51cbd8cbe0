"""What `checks new` writes lies under `written/` for the type checker; test_scaffold.py runs its tests in a process of their own."""

collect_ignore = ["written"]
