"""What only the project's own tests share: builders of facts, scripted peers, real servers, and every parser by name."""
