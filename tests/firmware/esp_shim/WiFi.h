// Wi-Fi that is always there, and TCP over the sockets of this machine.
#pragma once
#include <arpa/inet.h>
#include <sys/ioctl.h>
#include <sys/socket.h>

#include "Arduino.h"
#include "Client.h"

enum { WL_CONNECTED = 3 };

struct WiFiStation {
  void begin(const char *, const char *) {}
  int status() { return WL_CONNECTED; }
};
inline WiFiStation WiFi;

class WiFiClient : public Client {
 public:
  ~WiFiClient() override { stop(); }

  int connect(const char *host, uint16_t port) override {
    stop();
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(port);
    inet_pton(AF_INET, host, &address.sin_addr);
    socket_ = socket(AF_INET, SOCK_STREAM, 0);
    if (::connect(socket_, reinterpret_cast<sockaddr *>(&address), sizeof address) == 0) return 1;
    stop();
    return 0;
  }

  size_t write(const uint8_t *data, size_t size) override {
    const ssize_t sent = socket_ < 0 ? -1 : send(socket_, data, size, MSG_NOSIGNAL);
    return sent < 0 ? 0 : static_cast<size_t>(sent);
  }

  int available() override {
    int waiting = 0;
    if (socket_ >= 0) ioctl(socket_, FIONREAD, &waiting);
    return waiting;
  }

  int read() override {
    uint8_t byte;
    return recv(socket_, &byte, 1, 0) == 1 ? byte : -1;
  }

  uint8_t connected() override {
    char byte;
    if (socket_ >= 0 && recv(socket_, &byte, 1, MSG_PEEK | MSG_DONTWAIT) == 0) stop();
    return socket_ >= 0;
  }

  void stop() override {
    if (socket_ >= 0) close(socket_);
    socket_ = -1;
  }

 private:
  int socket_ = -1;
};
