"""The test record: results and settings, append only, each revision chained to the one before.

Importing this package loads no database library; its modules are imported where they are used.
"""
