#pragma once
#include <cstddef>
#include <cstdint>

struct Client {
  virtual ~Client() = default;
  virtual int connect(const char *host, uint16_t port) = 0;
  virtual size_t write(const uint8_t *data, size_t size) = 0;
  virtual int available() = 0;
  virtual int read() = 0;
  virtual uint8_t connected() = 0;
  virtual void stop() = 0;
};
