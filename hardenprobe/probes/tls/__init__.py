"""TLS and SSL: versions, certificates, suites, flaws."""
