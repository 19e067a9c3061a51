// Packs that wait for the broker, each with the moment it was taken: an outage loses none until the room is used up.
#pragma once
#include <stdint.h>
#include <stdio.h>
#include <string.h>

template <size_t PACKS, size_t SIZE>
class Backlog {
 public:
  bool empty() const { return count_ == 0; }
  size_t count() const { return count_; }

  // Keeps `pack`, which was taken at `taken_ms` of millis(); the oldest goes when there is no room.
  void add(const char *pack, uint32_t taken_ms) {
    if (!pack[0] || strlen(pack) >= SIZE) return;
    if (count_ == PACKS) drop();
    Slot &slot = slots_[(first_ + count_++) % PACKS];
    strcpy(slot.pack, pack);
    slot.taken_ms = taken_ms;
  }

  // Writes the oldest pack with its time. `epoch_s` is the time now, in seconds since 1970 UTC, or 0 while it is
  // not known: then the time is relative, so many seconds before the pack arrives (RFC 8428 section 4.5.3).
  void oldest(uint32_t now_ms, uint32_t epoch_s, char *out, size_t out_size) const {
    const Slot &slot = slots_[first_];
    const uint32_t age_s = (now_ms - slot.taken_ms) / 1000;
    if (epoch_s) snprintf(out, out_size, "[{\"bt\":%lu},%s", (unsigned long)(epoch_s - age_s), slot.pack + 1);
    else snprintf(out, out_size, "[{\"bt\":-%lu},%s", (unsigned long)age_s, slot.pack + 1);
  }

  void drop() {
    first_ = (first_ + 1) % PACKS;
    count_--;
  }

 private:
  struct Slot {
    uint32_t taken_ms;
    char pack[SIZE];
  };
  Slot slots_[PACKS];
  size_t first_ = 0, count_ = 0;
};
