"""The plug-ins that carry a message to its next hop. Each knows one outside technology, and domain/.

Start with `port.py`: the interface, loading by entry point, and the test double. `contract.py` is the test suite that
every transport, ours or foreign, has to pass.
"""
