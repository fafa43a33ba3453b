package streamlog

const childDir = "STREAMLOG_CHILD"

func appendForEver(string) int { return 0 }
