"""Practice instruments: one of any family, over a real transport, with troubles on demand.

``benchlog simulate --practice NAME`` serves one and says how to reach it.
"""
