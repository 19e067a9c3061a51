// A lamp seen by a photo-sensor: on above one level, off below another, unchanged in between.
#pragma once

class Lamp {
 public:
  Lamp(int on_level, int off_level) : on_level_(on_level), off_level_(off_level) {}

  // `level` is what the converter says, brighter = higher.
  bool see(int level) {
    if (level >= on_level_) on_ = true;
    else if (level <= off_level_) on_ = false;
    return on_;
  }

 private:
  int on_level_, off_level_;
  bool on_ = false;
};
