"""What is wrong or remarkable in the data, without looking at which tuning gains."""
