// Package oracle works out from raw events, the slow way, what package worklist
// should have on its lists. It judges it in tests and is no part of the program:
// it knows neither the read model nor the lists nor the figures, has its own
// limits from the trade's published figures, and searches through every fact for
// every question. [Due] is all of it.
//
// It knows less than the lists do: animals have one ear tag each, nothing
// contradicts itself, there are no checks, wounds or lost claws, and of orders only
// those that no record tells were done. No person confirmed anything.
package oracle
