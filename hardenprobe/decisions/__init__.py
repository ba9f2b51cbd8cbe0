"""What people decided and declared: risk acceptances, attestations, the register of devices. Append-only."""
