// The sketch as a program: set up once, then loop until a signal.
#include SKETCH
#include <csignal>

static volatile sig_atomic_t running = 1;

int main() {
  signal(SIGTERM, [](int) { running = 0; });  // so that the leak checker has its say at the end
  setup();
  while (running) loop();
}
