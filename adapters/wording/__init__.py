"""What the keeper reads: letters, console lines and MQTT payloads, made from events alone. Pure; golden
texts in the tests.
"""
