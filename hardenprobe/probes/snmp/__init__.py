"""SNMP: versions, communities, users, objects."""
