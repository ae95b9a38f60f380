package worker

// AwaitReadAhead waits until what is being read ahead of its turn is there: how soon that comes is the
// machine's affair, and nothing that a test should rest on.
func (w *Worker) AwaitReadAhead() {
	for _, k := range w.keepers {
		k.reader.mu.Lock()
		reading := k.reader.reading
		k.reader.mu.Unlock()
		if reading != nil {
			<-reading
		}
	}
}
